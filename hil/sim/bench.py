"""The simulated bench: units, supply, jig, reference parts, instruments, temperature - one world, one clock.

Everything happens in the order of time. `SimulatedBench.wait` runs the world - the processor, instruments that
measure, bytes on the serial line, fingers on keys - until what is waited for, and only then moves the clock; whoever
acts on the world calls `sync` first, which lets it catch up with the clock. After every change the board is solved
anew, and the processor feels its supply, its reset pin and its inputs.
"""

import heapq
from collections.abc import Callable, Sequence

from hil.circuit.netlist import Netlist
from hil.sim.chip import Chip
from hil.sim.clock import SimClock
from hil.sim.fitting import AS_DRAWN, Fitting
from hil.sim.instruments.base import Instrument
from hil.sim.instruments.measuring import FrequencyCounter, Thermometer, Voltmeter
from hil.sim.instruments.supply import DcSupply
from hil.sim.instruments.switching import FunctionGenerator, Selector
from hil.sim.jig import Jig
from hil.sim.meter import MeterFirmware
from hil.sim.meter_bugs import BUGS
from hil.sim.operator import SimOperator
from hil.sim.processor import Processor, Surroundings
from hil.sim.scene import Scene
from hil.sim.serial_line import SerialLine
from hil.sim.setup import KINDS, BenchSetup, SimInstrument
from hil.sim.streams import Streams
from hil.sim.trouble import Troubles
from hil.sim.unit import VirtualUnit, build_unit
from hil.sim.warmth import Warmth

_NEVER = float("inf")

MakeProcessor = Callable[[VirtualUnit, Surroundings], Processor]


def device_model(unit: VirtualUnit, surroundings: Surroundings) -> Processor:
    """The model of the meter's own behaviour; another maker of processors may run real firmware instead."""
    program = BUGS.get(unit.bug, MeterFirmware)
    return Chip(
        surroundings,
        unit.eeprom,
        (lambda chip: program(chip, unit.firmware)) if unit.firmware else None,
        brown_out_v=unit.model.values.get("U3.brown_out", 4.3),
        hangs_after_s=unit.hangs_after_s,
    )


class SimulatedBench(Scene):
    """A bench that behaves like one. Reach it through `hil.simlink.connect`, never around it.

    Args:
        setup: what stands on the bench.
        netlist: the board.
        seed: everything random that is not the unit itself.
        clock: simulated time; a new one when None.
        make_processor: what a unit's microcontroller is; the device model when not given.
    """

    def __init__(
        self,
        setup: BenchSetup,
        netlist: Netlist,
        *,
        seed: int = 0,
        clock: SimClock | None = None,
        make_processor: MakeProcessor = device_model,
    ) -> None:
        self.seed = seed
        self._make_processor = make_processor
        self._stored: dict[str, bytearray] = {}
        fixed = Streams(seed, "bench")
        super().__init__(
            setup, netlist, clock or SimClock(), fixed, Jig(setup, fixed), Warmth(setup.ambient_degc, fixed)
        )
        self.busy: list[Instrument] = []
        self.line = SerialLine(self)
        by_kind = {instrument.kind: instrument for instrument in setup.instruments}
        absent = {kind: SimInstrument(role=kind, kind=kind) for kind in KINDS}
        chosen = absent | by_kind
        self.supply = DcSupply(self, chosen["supply"])
        self.voltmeter = Voltmeter(self, chosen["voltmeter"])
        self.counter = FrequencyCounter(self, chosen["counter"])
        self.generator = FunctionGenerator(self, chosen["generator"])
        self.selector = Selector(self, chosen["selector"])
        self.thermometer = Thermometer(self, chosen["thermometer"])
        self.instruments: tuple[Instrument, ...] = (
            self.supply, self.voltmeter, self.counter, self.generator, self.selector, self.thermometer,
        )  # fmt: skip
        self.operator = SimOperator(self)

    # Units

    def insert(self, serial: str, *, faults: Sequence[str] = (), attempt: int = 1, person: str = "") -> None:
        """Put the unit with this serial number into the jig; it comes blank the first time and keeps what it stores.

        Args:
            serial: values of its components depend on this alone.
            faults: as for ``--fault``: of the board (`hil.circuit.faults`), of everything else (`hil.sim.trouble`).
            attempt: changes the noise, not the unit.
            person: who puts it in; people may have habits.

        Raises:
            ValueError: a fault that nobody knows, listing what is known.
        """
        self.remove()
        unit = build_unit(self.netlist, serial, faults, self._stored.get(serial))
        self._stored[serial] = unit.eeprom
        self.troubles = unit.troubles
        self.noise = Streams(self.seed, serial, attempt)
        self.fitting = Fitting(unit.troubles, self.fixed, self.noise, person)
        self.unit, self.processor = unit, self._make_processor(unit, self)
        self._forget_probes()
        self.warmth.cool_down(self.at_s)
        self.settle()

    def remove(self) -> None:
        """Take the unit out; it keeps its stored constants."""
        self.sync()
        if self.processor is not None:
            self.processor.power(0.0, self.at_s)
        self.unit = self.processor = None
        self.troubles, self.fitting = Troubles(), AS_DRAWN
        self.line.forget()
        self.settle()

    # Time

    def sync(self) -> None:
        """Let the world catch up with the clock."""
        self._run_to(self.clock.monotonic_s())

    def wait(self, due_s: Callable[[], float | None], deadline_s: float) -> bool:
        """Run until the moment that `due_s` names (it may come up on the way), at most until the deadline.

        Returns whether that moment came. Moves the clock.
        """
        self.sync()
        while True:
            wanted_s = due_s()
            target_s = deadline_s if wanted_s is None else min(wanted_s, deadline_s)
            if target_s <= self.at_s:
                is_due = wanted_s is not None and wanted_s <= self.at_s
                break
            self._step(target_s)
        self.line.collect(self.at_s)
        self.clock.sleep(max(0.0, self.at_s - self.clock.monotonic_s()))
        return is_due

    def _run_to(self, until_s: float) -> None:
        if self.at_s >= until_s and self._next_due_s() > self.at_s:
            return
        while self.at_s < until_s or self._next_due_s() <= self.at_s:
            self._step(until_s)
        self.line.collect(self.at_s)

    def _next_due_s(self) -> float:
        first_s = self._later[0][0] if self._later else _NEVER
        line_s = self.line.due_s
        if line_s is not None and line_s < first_s:
            first_s = line_s
        for instrument in self.busy:
            due_s = instrument.due_s
            if due_s is not None and due_s < first_s:
                first_s = due_s
        return first_s

    def _step(self, until_s: float) -> None:
        """Go to the next thing that happens, but not beyond `until_s`."""
        due_s = self._next_due_s()
        target_s = max(self.at_s, min(due_s, until_s))
        if self.processor is not None:
            reached_s = self.processor.advance(target_s)
            self.at_s = reached_s
            drives = self.processor.drives()
            if drives is not self.driven and drives != self.driven:
                self.settle()
            if reached_s < target_s:
                return
        self.at_s = target_s
        if due_s > target_s:
            return
        if self._later and self._later[0][0] <= target_s:
            heapq.heappop(self._later)[2]()
        elif self.line.due_s is not None and self.line.due_s <= target_s:
            self.line.deliver()
        else:
            next(one for one in self.busy if one.due_s is not None and one.due_s <= target_s).go_on()
