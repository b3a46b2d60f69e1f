"""The simulated bench behind the real libraries: PyVISA, pyserial, sockets and a pty.

link = connect(bench)
pyvisa.ResourceManager(link.visa_library).open_resource("SIM0::supply::INSTR")
serial.serial_for_url(link.meter_url, baudrate=38400)
link.operator.read_display(); link.clock.sleep(1)
link.close()
"""

import itertools
import sys
from dataclasses import dataclass
from types import TracebackType

import serial

from hil.ports import Clock, Operator
from hil.sim.bench import SimulatedBench
from hil.simlink import serial_port, visa_backend

_NUMBERS = itertools.count(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimLink:
    """How to reach one simulated bench through the real libraries; valid until `close`."""

    bench: SimulatedBench
    visa_library: str  # for pyvisa.ResourceManager
    meter_url: str  # for serial.serial_for_url
    clock: Clock
    operator: Operator

    def close(self) -> None:
        """Forget the bench: its addresses answer no more."""
        visa_backend.BENCHES.pop(self.visa_library.partition("@")[0], None)
        serial_port.BENCHES.pop(self.meter_url.rpartition("/")[2], None)

    def __enter__(self) -> "SimLink":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def connect(bench: SimulatedBench) -> SimLink:
    """Put a simulated bench behind PyVISA and pyserial, in process, in simulated time."""
    # Both libraries look for a module of a certain name; this is how they are told of one without installing it.
    sys.modules[f"pyvisa_{visa_backend.NAME}"] = visa_backend
    sys.modules[f"{__name__}.protocol_{serial_port.SCHEME}"] = serial_port
    if __name__ not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(__name__)
    name = f"bench{next(_NUMBERS)}"
    visa_backend.BENCHES[name] = serial_port.BENCHES[name] = bench
    return SimLink(
        bench=bench,
        visa_library=f"{name}@{visa_backend.NAME}",
        meter_url=f"{serial_port.SCHEME}://{name}",
        clock=bench.clock,
        operator=bench.operator,
    )
