"""A PyVISA library in process: sessions to the instruments of a simulated bench, in simulated time.

A time limit costs simulated seconds, never real ones. Device clear, status byte and the attributes that PyVISA's
message based resources use are there. Every bench has a path of its own, since PyVISA keeps one library a path.
"""

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any
from weakref import WeakValueDictionary

from pyvisa import constants, errors, highlevel, rname
from pyvisa.constants import InterfaceType, ResourceAttribute, StatusCode
from pyvisa.util import LibraryPath

from hil.sim.bench import SimulatedBench
from hil.sim.instruments.base import Instrument

NAME = "hilsim"  # PyVISA's name of this backend: "PATH@hilsim"
_DEFAULT_TIMEOUT_MS = 2000
_INFINITE_S = 3600.0  # of simulated time; nothing on this bench takes longer

BENCHES: "WeakValueDictionary[str, SimulatedBench]" = WeakValueDictionary()


@dataclass(slots=True)
class _Session:
    instrument: Instrument
    address: str
    attributes: dict[int, Any] = field(default_factory=dict)

    def get(self, attribute: int, default: Any) -> Any:
        return self.attributes.get(attribute, default)

    @property
    def timeout_s(self) -> float:
        milliseconds = self.get(ResourceAttribute.timeout_value, _DEFAULT_TIMEOUT_MS)
        return _INFINITE_S if milliseconds == constants.VI_TMO_INFINITE else milliseconds / 1000


class SimulatedVisaLibrary(highlevel.VisaLibraryBase):
    """What ``pyvisa.ResourceManager("PATH@hilsim")`` opens."""

    bench: SimulatedBench

    @staticmethod
    def get_library_paths() -> Iterable[LibraryPath]:
        """Without a bench there is no library."""
        return ()

    def _init(self) -> None:
        path = str(self.library_path)
        if path not in BENCHES:
            raise OSError(f"no simulated bench answers at {path!r}. Connect one with hil.simlink.connect.")
        self.bench = BENCHES[path]
        self._sessions: dict[int, _Session] = {}
        self._handles: Iterator[Any] = itertools.count(1)

    # Sessions

    def open_default_resource_manager(self) -> tuple[Any, StatusCode]:
        handle = next(self._handles)
        return handle, self.handle_return_value(handle, StatusCode.success)

    def list_resources(self, session: Any, query: str = "?*::INSTR") -> tuple[str, ...]:
        return rname.filter([one.setup.address for one in self.bench.instruments if one.setup.address], query)

    def parse_resource_extended(self, session: Any, resource_name: str) -> tuple[highlevel.ResourceInfo, StatusCode]:
        """Addresses of the standard, and ``SIM0::NAME::INSTR``, which PyVISA takes for an instrument on a network."""
        words = resource_name.split("::")
        if words[0].upper().startswith("SIM") and words[-1].upper() in ("INSTR", "SOCKET"):
            kind = words[-1].upper()
            return highlevel.ResourceInfo(InterfaceType.tcpip, 0, kind, resource_name, None), StatusCode.success
        return super().parse_resource_extended(session, resource_name)

    def open(
        self,
        session: Any,
        resource_name: str,
        access_mode: Any = constants.AccessModes.no_lock,
        open_timeout: int | None = constants.VI_TMO_IMMEDIATE,
    ) -> tuple[Any, StatusCode]:
        for instrument in self.bench.instruments:
            if instrument.setup.address and instrument.setup.address.upper() == resource_name.upper():
                if instrument.has_vanished():
                    break
                handle = next(self._handles)
                self._sessions[handle] = _Session(instrument, resource_name)
                return handle, self.handle_return_value(handle, StatusCode.success)
        return 0, self.handle_return_value(None, StatusCode.error_resource_not_found)

    def close(self, session: Any) -> StatusCode:
        self._sessions.pop(session, None)
        return StatusCode.success

    def _session(self, handle: Any) -> _Session:
        try:
            found = self._sessions[handle]
        except KeyError:
            raise errors.InvalidSession() from None
        if found.instrument.has_vanished():
            self.handle_return_value(handle, StatusCode.error_connection_lost)
        return found

    # Messages

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        found = self._session(session)
        sends_end = bool(found.get(ResourceAttribute.send_end_enabled, True))
        found.instrument.write(bytes(data), is_end=sends_end and found.address.upper().endswith("INSTR"))
        return len(data), self.handle_return_value(session, StatusCode.success)

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        found = self._session(session)
        instrument, clock = found.instrument, self.bench.clock

        def answered_s() -> float | None:
            return self.bench.at_s if instrument.has_answer() and not instrument.is_busy() else None

        if not self.bench.wait(answered_s, clock.monotonic_s() + found.timeout_s):
            if not instrument.is_busy():
                instrument.read_without_answer()
            return b"", self.handle_return_value(session, StatusCode.error_timeout)
        data = instrument.read(count)
        if instrument.has_answer():
            return data, self.handle_return_value(session, StatusCode.success_max_count_read)
        if not data.endswith(b"\n"):
            # The line end never comes: a real interface waits for it until the time is over.
            self.bench.wait(lambda: None, clock.monotonic_s() + found.timeout_s)
            return data, self.handle_return_value(session, StatusCode.error_timeout)
        is_char = found.get(ResourceAttribute.termchar_enabled, False)
        status = StatusCode.success_termination_character_read if is_char else StatusCode.success
        return data, self.handle_return_value(session, status)

    def clear(self, session: Any) -> StatusCode:
        self._session(session).instrument.clear()
        return self.handle_return_value(session, StatusCode.success)

    def flush(self, session: Any, mask: Any) -> StatusCode:
        instrument = self._session(session).instrument
        while instrument.has_answer():
            instrument.read(4096)
        return self.handle_return_value(session, StatusCode.success)

    def read_stb(self, session: Any) -> tuple[int, StatusCode]:
        found = self._session(session)
        self.bench.sync()
        return found.instrument.serial_poll(), self.handle_return_value(session, StatusCode.success)

    # Attributes and events

    def get_attribute(self, session: Any, attribute: Any) -> tuple[Any, StatusCode]:
        found = self._sessions.get(session)
        if found is None:
            raise errors.InvalidSession()
        fixed = {
            ResourceAttribute.resource_name: found.address,
            ResourceAttribute.resource_class: found.address.split("::")[-1],
            ResourceAttribute.interface_type: InterfaceType.tcpip,
            ResourceAttribute.interface_number: 0,
            ResourceAttribute.timeout_value: _DEFAULT_TIMEOUT_MS,
            ResourceAttribute.termchar: ord("\n"),
            ResourceAttribute.termchar_enabled: constants.VI_FALSE,
            ResourceAttribute.send_end_enabled: constants.VI_TRUE,
            ResourceAttribute.suppress_end_enabled: constants.VI_FALSE,
        }
        if attribute not in found.attributes and attribute not in fixed:
            return None, self.handle_return_value(session, StatusCode.error_nonsupported_attribute)
        value = found.get(attribute, fixed.get(attribute))
        return value, self.handle_return_value(session, StatusCode.success)

    def set_attribute(self, session: Any, attribute: Any, attribute_state: Any) -> StatusCode:
        found = self._sessions.get(session)
        if found is None:
            raise errors.InvalidSession()
        found.attributes[attribute] = attribute_state
        return self.handle_return_value(session, StatusCode.success)

    def disable_event(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        return StatusCode.success

    def discard_events(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        return StatusCode.success


WRAPPER_CLASS = SimulatedVisaLibrary  # where PyVISA looks
