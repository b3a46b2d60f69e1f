"""Open a bench, simulated or real, as ports; leave it with everything switched off, whatever happens.

    with open_bench(spec, kit) as bench:
        bench.insert("QM2-00017")                 # simulated: the virtual unit; real: the operator is asked
        bench.supply.set(7.4, 0.15)

A simulated bench and a real one go through the same drivers; what differs is the clock, the operator and who puts the
unit into the jig. While a bench is open, a request to end (SIGTERM, SIGHUP) takes the same way out as Ctrl-C.
"""

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

from hil.app.drivers import open_drivers, read_command_sets
from hil.app.guardian import Guardian, needs_guardian
from hil.app.lock import BenchLock
from hil.core.equipment import Kit
from hil.core.records import InstrumentUsed
from hil.errors import BenchError, HilError, UsageError
from hil.files.bench import BenchFile
from hil.ports import (
    Clock,
    Counter,
    Generator,
    Meter,
    Operator,
    Programmer,
    Selector,
    Supply,
    Thermometer,
    Voltmeter,
)
from hil.real.operator import TerminalOperator
from hil.real.programmer import CommandProgrammer
from hil.real.trace import Trace
from hil.real.wallclock import WallClock

IN_PROCESS = "hil-sim:"  # scheme of the meter's URL on the simulated bench in this process
SIMULATED = "SIMULATED"  # what a simulated instrument says in its identity


@dataclass(frozen=True, slots=True, kw_only=True)
class Insertion:
    """A unit on its way into the jig.

    Args:
        attempt: changes the noise of the simulated bench, not the unit.
        faults: what is wrong with the simulated unit and its bench.
        person: who puts it in.
        label: what the person is told instead of the serial number; "": the serial number.
    """

    serial: str
    attempt: int = 1
    faults: tuple[str, ...] = ()
    person: str = ""
    label: str = ""


Insert = Callable[[Insertion], None]


def _no_trouble() -> str:
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Open ports of one bench. A role that the bench file does not have is None.

    Args:
        simulated: the data is not from a real unit; the bench file says so, or an instrument's identity does.
        identities: every instrument as it answered.
        trace: what the drivers have asked and got; drained by whoever judges.
        hand_read: roles whose values a person types in.
        firmware_trouble: what is wrong with the ELF in the simulated unit, as seen from outside; "" when nothing.
    """

    name: str
    clock: Clock
    meter: Meter
    operator: Operator
    simulated: bool
    trace: Trace
    supply: Supply | None = None
    voltmeter: Voltmeter | None = None
    counter: Counter | None = None
    generator: Generator | None = None
    selector: Selector | None = None
    thermometer: Thermometer | None = None
    programmer: Programmer | None = None
    identities: tuple[InstrumentUsed, ...] = ()
    hand_read: frozenset[str] = frozenset()
    firmware_trouble: Callable[[], str] = field(default=_no_trouble, repr=False)
    _insert: Insert = field(repr=False)
    _identify: Callable[[], None] = field(repr=False)
    _stack: ExitStack = field(default_factory=ExitStack, repr=False)

    def insert(
        self, serial: str, *, attempt: int = 1, faults: Sequence[str] = (), person: str = "", label: str = ""
    ) -> None:
        """Get the unit with this serial number into the jig, outputs off before; arguments as in `Insertion`.

        Raises:
            UsageError: faults on a real bench, or a fault that nobody knows.
            BenchError: something may still be on, or an instrument is another one than when the bench was opened.
            Interrupted: the operator says no.
        """
        self.make_safe()
        self._insert(
            Insertion(serial=serial, attempt=attempt, faults=tuple(faults), person=person, label=label or serial)
        )
        self._identify()
        if isinstance(self.programmer, CommandProgrammer):
            self.programmer.serial = serial
        self.meter.expect_start()

    def keep(self) -> None:
        """The unit in the jig stays there for another run.

        Raises:
            BenchError: something may still be on.
        """
        self.make_safe()
        self.meter.expect_start()

    def make_safe(self) -> None:
        """Outputs off, generator off, relays open. Goes on when one of them does not answer and says so at the end.

        Raises:
            BenchError: something may still be on.
        """
        ways_off: list[tuple[str, Callable[[], None]]] = []
        if self.supply is not None:
            ways_off.append(("supply", self.supply.off))
        if self.generator is not None:
            ways_off.append(("generator", self.generator.off))
        if self.selector is not None:
            ways_off.append(("selector", self.selector.release))
        # What the program can switch itself comes first, and a second Ctrl-C must not keep it from that.
        troubles: list[str] = []
        with _uninterrupted():
            for role, switch_off in ways_off:
                if role not in self.hand_read:
                    _try(switch_off, troubles)
        for role, switch_off in ways_off:
            if role in self.hand_read:
                _try(switch_off, troubles)
        if troubles:
            said = " ".join(dict.fromkeys(troubles))  # one cause may keep all of them from answering
            raise BenchError(f"Switch the outputs off by hand, something may still be on: {said}")

    def close(self) -> None:
        """Make safe, close every port, give the bench free.

        Raises:
            BenchError: something may still be on; the ports are closed all the same.
        """
        with self._stack:
            self.make_safe()

    def __enter__(self) -> "Bench":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.close()
        except BenchError as problem:
            if error is None:
                raise
            error.add_note(str(problem))  # must not hide why the run ended


def _try(switch_off: Callable[[], None], troubles: list[str]) -> None:
    try:
        switch_off()
    except HilError as problem:
        troubles.append(str(problem))


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Ctrl-C waits until the block is done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed: list[int] = []
    before = {one: signal.signal(one, lambda number, _: pressed.append(number)) for one in _stop_signals()}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)
        if pressed:
            raise KeyboardInterrupt


def _stop_signals() -> tuple[signal.Signals, ...]:
    return tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def _end_like_ctrl_c(stack: ExitStack) -> None:
    if threading.current_thread() is threading.main_thread():
        for one in _stop_signals():
            if one != signal.SIGINT and signal.getsignal(one) == signal.SIG_DFL:
                stack.callback(signal.signal, one, signal.signal(one, signal.default_int_handler))


def roles_of(spec: BenchFile) -> frozenset[str]:
    """Roles that this bench has, told from its file alone: nothing is opened."""
    return spec.available


def refuse_simulation_options(spec: BenchFile, *, seed: int | None, faults: Sequence[str]) -> None:
    """``--seed`` and ``--fault`` only make sense on a simulated bench.

    Raises:
        UsageError: one of them is given with a real bench, or a seed with a bench that another process simulates.
    """
    if is_in_process(spec):
        return
    words = f"bench '{spec.bench}' ({spec.file}) is not simulated by this process."
    if seed is not None:
        where = "Give it to 'hil wire'" if spec.simulated else "Leave it out, or choose --bench simulated"
        raise UsageError(f"--seed: {words} {where}.")
    if faults and not _remote_operator(spec):
        raise UsageError(f"--fault: {words} Leave it out, or choose --bench simulated.")


def is_in_process(spec: BenchFile) -> bool:
    """Whether this process simulates the bench; another one may, behind ``hil wire``."""
    return spec.meter is not None and spec.meter.port.startswith(IN_PROCESS)


def _ports(spec: BenchFile) -> list[str]:
    """What nobody else may use meanwhile."""
    ports = [role.address for role in spec.roles.values() if role.address]
    if spec.meter is not None:
        # One port has several names; what is no path stays as it is.
        path = Path(spec.meter.port)
        ports.append(str(path.resolve()) if path.is_absolute() else spec.meter.port)
    return ports


def _remote_operator(spec: BenchFile) -> str:
    """Address of the simulated operator at a bench that another process simulates, or ""."""
    return spec.roles["operator"].address if "operator" in spec.roles else ""


def open_bench(
    spec: BenchFile,
    kit: Kit,
    *,
    board: str = "qm2",
    seed: int | None = None,
    operator: Operator | None = None,
    lock_dir: Path | None = None,
    firmware: str = "",
) -> Bench:
    """Lock the bench, open every instrument, check who answers, switch everything off.

    Args:
        spec: the bench file.
        kit: reference parts; the simulated bench draws their true values.
        board: board kind that stands in the simulated jig.
        seed: of everything random on the simulated bench; None: 0.
        operator: the person; None: at the terminal, or the simulated one.
        lock_dir: where lock files lie; None: a folder that all users share.
        firmware: ELF file that the simulated units run; "": the device model.

    Raises:
        UsageError: `seed` or `firmware` on a real bench, or a command set that cannot be used.
        BenchError: the bench is in use, or an instrument does not answer or is another one; the firmware cannot be run.
    """
    refuse_simulation_options(spec, seed=seed, faults=())
    if firmware and not is_in_process(spec):
        raise UsageError(f"--firmware: bench '{spec.bench}' is real. Program the unit with --image instead.")
    sets = read_command_sets(spec)
    trace = Trace()
    with ExitStack() as stack:
        clock: Clock
        insert: Insert | None = None
        firmware_trouble: Callable[[], str] = _no_trouble
        if is_in_process(spec):
            from hil.app.simulated import open_simulated  # late: a real bench needs no simulation
            from hil.sim.bench import device_model
            from hil.simlink.elf_unit import ElfUnits

            make = ElfUnits(Path(firmware)) if firmware else device_model
            if isinstance(make, ElfUnits):
                stack.callback(make.close)
                firmware_trouble = make.trouble
            link, insert = open_simulated(spec, kit, board=board, seed=seed or 0, make_processor=make)
            stack.callback(link.close)
            clock, person = link.clock, operator or link.operator
            library, url = link.visa_library, link.meter_url
        else:
            clock, person = WallClock(spec.speed), operator or TerminalOperator()
            library, url = spec.visa_library, spec.meter.port if spec.meter else ""
            stack.callback(BenchLock(spec.bench, ports=_ports(spec), since=clock.now(), folder=lock_dir).release)
            if needs_guardian(spec):
                stack.callback(Guardian(spec, sets).dismiss)
            if _remote_operator(spec):
                from hil.app.simulated import at_another_bench

                person, insert = at_another_bench(_remote_operator(spec), stack)
        drivers = open_drivers(
            spec,
            sets=sets,
            clock=clock,
            trace=trace,
            operator=person,
            visa_library=library,
            meter_url=url,
            stack=stack,
        )
        bench = Bench(
            name=spec.bench,
            clock=clock,
            meter=drivers.meter,
            operator=drivers.operator,
            simulated=spec.simulated or any(SIMULATED in one.identity.upper() for one in drivers.identities),
            trace=trace,
            identities=drivers.identities,
            hand_read=drivers.hand_read,
            _identify=drivers.identify,
            firmware_trouble=firmware_trouble,
            _insert=insert or _by_operator(spec, drivers.operator),
            **drivers.roles,
        )
        _end_like_ctrl_c(stack)
        bench.make_safe()
        bench._stack.enter_context(stack.pop_all())
    return bench


def _by_operator(spec: BenchFile, operator: Operator) -> Insert:
    def insert(unit: Insertion) -> None:
        refuse_simulation_options(spec, seed=None, faults=unit.faults)
        operator.insert(unit.label)

    return insert
