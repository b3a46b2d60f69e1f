"""One unit's board as a model: what its nets and its oscillator do under given conditions.

    model = BoardModel(netlist, values, faults)
    operating = model.solve(Conditions(supply_v=7.4, supply_limit_a=0.15))
    operating.voltage_v("TP_5V"), operating.supply_current_a, operating.relay_on("K1")
    model.oscillate(conditions, operating).frequency_hz

Pure: equal arguments give equal results; no noise is added here (`Oscillation.sigma_hz` says how much there is).
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from hil.circuit.faults import Fault
from hil.circuit.netlist import Netlist


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """What is connected between T1 and T2, with the jig's parasitics.

    ``kind`` is open, short, capacitor (value in F) or inductor (value in H). The part itself has a series
    resistance and a parallel capacitance; the jig has a capacitance across the terminals and leads in series.
    """

    kind: str = "open"
    value: float = 0.0
    series_resistance_ohm: float = 0.0
    parallel_capacitance_f: float = 0.0
    jig_capacitance_f: float = 0.0
    jig_inductance_h: float = 0.0
    jig_resistance_ohm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A voltage from outside behind a resistance on a net or test point (generator at T0, a serial adapter)."""

    point: str
    voltage_v: float
    resistance_ohm: float = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Everything outside the netlist that decides what the board does; hashable, so results can be cached.

    ``pins`` drives the microcontroller: pairs such as ("PB0", "high"), levels high, low, input, pullup; what is not
    named is an input. ``mcu`` is running, reset or blank (supply current, and whether the reference is connected).
    ``loads`` are resistors from outside, (point, point, ohm), for example a voltmeter's input resistance.
    ``ohmmeter`` names two points (net, test point or pin); the answer is `Operating.resistance_ohm`.
    """

    supply_v: float | None = None  # None: not connected; negative: wrong polarity
    supply_limit_a: float = math.inf
    switch_on: bool = True
    pins: tuple[tuple[str, str], ...] = ()
    mcu: str = "running"
    terminal: Terminal = field(default_factory=Terminal)
    sources: tuple[Source, ...] = ()
    loads: tuple[tuple[str, str, float], ...] = ()
    keys: tuple[str, ...] = ()  # "KEY1", "KEY2"
    ohmmeter: tuple[str, str] | None = None
    ohmmeter_current_a: float = 1e-4  # test current; the ohmmeter's own voltage is limited to `ohmmeter_limit_v`
    ohmmeter_limit_v: float = 5.0
    temperature_degc: float = 23.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Operating:
    """The solved board. Voltages are averages over a period while the oscillator runs."""

    voltages: Mapping[str, float]  # by net and by test point
    pins: Mapping[str, float]  # by pin, "U3.6" and "U3.PD4"; differs from the net behind an open joint
    supply_current_a: float
    in_current_limit: bool
    relays: Mapping[str, bool]  # K1, K2: armature pulled
    lamps: Mapping[str, float]  # LED1, LED2: current, A
    resistance_ohm: float | None  # what the ohmmeter sees; inf: over range
    mcu_clock_hz: float  # 0.0: no clock
    mcu_programmable: bool  # answers at the programming header
    mcu_runs: bool  # powered, clocked, out of reset, programmed
    output_level: str  # comparator: "low", "high" or "oscillates"
    converged: bool
    iterations: int

    def voltage_v(self, point: str) -> float:
        """Voltage against ground of a net, a test point or a pin (``U3.6``), V.

        Raises:
            KeyError: no such point.
        """
        if point in self.voltages:
            return self.voltages[point]
        return self.pins[point]

    def relay_on(self, designator: str) -> bool:
        """Whether the armature of K1 or K2 is pulled."""
        return self.relays[designator]


@dataclass(frozen=True, slots=True, kw_only=True)
class Oscillation:
    """What the comparator's output does at T0."""

    frequency_hz: float  # 0.0: does not oscillate
    amplitude_v: float  # peak, at the comparator's + input
    duty: float  # fraction of the period with the output high
    sigma_hz: float  # standard deviation of the mean frequency over 1 s
    extra_edges: float  # expected extra counts per period from comparator noise on a slow edge
    loaded_q: float


class BoardModel:
    """One unit: netlist, its true component values, and what is wrong with it.

    Args:
        netlist: the board.
        values: true value of every parameter, as `draw_values` gives them (missing ones are nominal).
        faults: applied in order.
    """

    def __init__(self, netlist: Netlist, values: Mapping[str, float], faults: Sequence[Fault] = ()) -> None:
        self.netlist = netlist
        self.values = dict(values)
        self.faults = tuple(faults)

    def solve(self, conditions: Conditions) -> Operating:
        """The operating point under these conditions; cached."""
        raise NotImplementedError

    def oscillate(self, conditions: Conditions, operating: Operating | None = None) -> Oscillation:
        """What arrives at the counter input; cached."""
        raise NotImplementedError

    def carries(self, driver: str, receiver: str, conditions: Conditions) -> bool:
        """Whether both logic levels of a driven pin arrive at another pin (``U3.PB3`` to ``DISP1.SDI``).

        The receiver's thresholds are 0.3 and 0.7 of its supply.
        """
        raise NotImplementedError


def draw_values(netlist: Netlist, uniform: Callable[[str], float]) -> dict[str, float]:
    """True values of one unit: normal, tolerance = 3σ, truncated at the tolerance.

    ``uniform(name)`` gives a number in [0, 1) that depends on the parameter's name and the unit's serial number.
    Names are ``R5``, or ``L1.q`` where a component has further parameters.
    """
    raise NotImplementedError
