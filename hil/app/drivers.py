"""From a bench file to drivers: every role opened, asked who it is, and brought into its known state."""

import re
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hil.app.locate import label_of, locate, read_text
from hil.core.records import InstrumentUsed
from hil.errors import BenchError, InstrumentError, UsageError
from hil.files.bench import BenchFile, Role
from hil.files.commands import parse_commands
from hil.ports import Clock, Meter, Operator
from hil.real.by_hand import HandCounter, HandGenerator, HandSupply, HandThermometer, HandVoltmeter
from hil.real.operator import RecordedOperator
from hil.real.pace import Pace
from hil.real.programmer import CommandProgrammer
from hil.real.roles import VisaCounter, VisaGenerator, VisaSelector, VisaSupply, VisaThermometer, VisaVoltmeter
from hil.real.serial_meter import SerialMeter
from hil.real.trace import Trace
from hil.real.visa import VisaInstrument, VisaLibrary
from hil.wire.instrument import CommandSet

INSTRUMENTS = ("supply", "voltmeter", "counter", "generator", "selector", "thermometer")
BY_HAND = "by hand"


class NoMeter:
    """Stands where a bench has no serial port to the unit."""

    def __init__(self, file: str) -> None:
        self._file = file

    def ask(self, command: str, *, timeout_s: float = 2.0) -> str:
        """Raises BenchError: there is no port."""
        raise BenchError(f"{command!r} cannot be asked: {self._file} has no [meter]. Add it, or choose another scope.")

    def tell(self, command: str, *, timeout_s: float = 2.0) -> None:
        """Raises BenchError: there is no port."""
        self.ask(command)

    def repeats(self) -> int:
        """Nothing was ever asked."""
        return 0

    def expect_start(self) -> None:
        """Nobody would hear it."""

    def await_start(self, *, timeout_s: float = 2.0) -> str | None:
        """Nobody would hear it."""
        return None

    def close(self) -> None:
        """Nothing to close."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drivers:
    """Every driver of a bench under its role, and who answered."""

    meter: Meter
    operator: Operator
    roles: Mapping[str, Any]  # instruments and programmer, as hil.ports names them
    identities: tuple[InstrumentUsed, ...]
    identify: Callable[[], None]  # ask all of them again who they are
    hand_read: frozenset[str] = field(default_factory=frozenset)


def read_command_sets(spec: BenchFile) -> dict[str, CommandSet]:
    """Command sets of every instrument; nothing is opened.

    Raises:
        UsageError: a command set is missing, wrong, or made for another kind of instrument.
    """
    sets = {}
    for name in INSTRUMENTS:
        role = spec.roles.get(name)
        if role is None or role.by_hand:
            continue
        own = Path(spec.file).parent if Path(spec.file).is_file() else None  # a path counts from the bench file
        path = locate("commands", role.commands, base=own)
        commands = parse_commands(label_of(path), read_text(path))
        if commands.kind != name:
            raise UsageError(
                f"{role.place}: role.{name}.commands: '{role.commands}' is for a {commands.kind}, not for a {name}."
            )
        sets[name] = commands
    return sets


def open_drivers(
    spec: BenchFile,
    *,
    sets: Mapping[str, CommandSet],
    clock: Clock,
    trace: Trace,
    operator: Operator,
    visa_library: str,
    meter_url: str,
    stack: ExitStack,
) -> Drivers:
    """Open everything a bench has; what is open is closed by `stack`.

    Args:
        operator: the person or the simulated one; recorded from here on.
        visa_library: for PyVISA.
        meter_url: for pyserial.

    Raises:
        BenchError: an instrument does not answer, or another one does.
    """
    pace = Pace(speed=spec.speed)
    person = RecordedOperator(operator, clock=clock, trace=trace)
    meter: SerialMeter | NoMeter = NoMeter(spec.file)
    if spec.meter is not None:
        meter = SerialMeter(
            meter_url,
            baud=spec.meter.baud,
            clock=clock,
            trace=trace,
            pattern=spec.meter.pattern,
            change_function=lambda: person.press(["KEY1"], 0.2),
            pace=pace,
        )
    stack.callback(meter.close)

    library: VisaLibrary | None = None
    roles: dict[str, Any] = {}
    identities = []
    instruments: list[tuple[Role, VisaInstrument]] = []
    for name in INSTRUMENTS:
        role = spec.roles.get(name)
        if role is None:
            continue
        if role.by_hand:
            roles[name] = _by_hand(name, person, meter)
            identities.append(_used(role, BY_HAND, role.description))
            continue
        if library is None:
            library = VisaLibrary(visa_library)
            stack.callback(library.close)
        instrument = open_instrument(spec, name, library, sets[name], clock=clock, trace=trace)
        stack.callback(instrument.close)
        instruments.append((role, instrument))
        identity = instrument.identify()
        _refuse_stranger(role, identity)
        instrument.start()
        roles[name] = over_visa(name, instrument, spec, meter.expect_start)
        identities.append(_used(role, role.address, identity))

    def identify() -> None:
        for role, instrument in instruments:
            _refuse_stranger(role, instrument.identify())

    programmer = spec.roles.get("programmer")
    if programmer is not None and programmer.command:
        hint = f" ({programmer.place})"
        roles["programmer"] = CommandProgrammer(
            programmer.command, clock=clock, trace=trace, timeout_s=programmer.timeout_s, hint=hint
        )
    return Drivers(
        meter=meter,
        operator=person,
        roles=roles,
        identities=tuple(identities),
        identify=identify,
        hand_read=frozenset(name for name, role in spec.roles.items() if role.by_hand and name in INSTRUMENTS),
    )


def _by_hand(name: str, operator: Operator, meter: Meter) -> object:
    match name:
        case "supply":
            return HandSupply(operator, meter.expect_start)
        case "voltmeter":
            return HandVoltmeter(operator)
        case "counter":
            return HandCounter(operator)
        case "generator":
            return HandGenerator(operator)
        case _:
            return HandThermometer(operator)


def open_instrument(
    spec: BenchFile, name: str, library: VisaLibrary, commands: CommandSet, *, clock: Clock, trace: Trace
) -> VisaInstrument:
    """Open the instrument of a role that is not read by hand.

    Raises:
        InstrumentError: it cannot be opened.
    """
    role = spec.roles[name]
    return VisaInstrument(
        name,
        library,
        role.address,
        commands,
        clock=clock,
        trace=trace,
        timeout_s=role.timeout_s,
        settle_s=role.settle_s,
        pace=Pace(speed=spec.speed),
        hint=f" ({role.place})",
    )


def over_visa(name: str, instrument: VisaInstrument, spec: BenchFile, on_switch: Callable[[], None]) -> Any:
    """The driver of an instrument's role, as hil.ports names it.

    Args:
        on_switch: told before a supply is switched.
    """
    match name:
        case "supply":
            return VisaSupply(instrument, on_switch)
        case "selector":
            return VisaSelector(instrument, spec.parts, spec.probes)
        case "voltmeter":
            return VisaVoltmeter(instrument)
        case "counter":
            return VisaCounter(instrument)
        case "generator":
            return VisaGenerator(instrument)
        case _:
            return VisaThermometer(instrument)


def _used(role: Role, address: str, identity: str) -> InstrumentUsed:
    return InstrumentUsed(
        role=role.role,
        address=address,
        identity=identity,
        certificate=role.certificate,
        due=role.due,
        hand_read=role.by_hand,
    )


def _refuse_stranger(role: Role, identity: str) -> None:
    if role.identity and not re.search(role.identity, identity):
        raise InstrumentError(
            role.role,
            role.address,
            f"another instrument answers: '{identity}' does not fit identity = '{role.identity}' ({role.place}). "
            "Connect the right one, or correct the bench file with its certificate.",
        )
