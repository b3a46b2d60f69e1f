"""What goes into the board model and what comes out of it: plain frozen values."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from hil.circuit.oscillator import Terminal

LEVELS = ("high", "low", "input", "pullup")
MODES = ("running", "reset", "blank")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A voltage from outside behind a resistance, on a net, test point or pin.

    With a frequency it is a rectangle between 0 and ``voltage_v``, and the network sees its average (the generator at
    T0); without one it is constant (a serial adapter's idle line).
    """

    point: str
    voltage_v: float
    resistance_ohm: float = 50.0
    frequency_hz: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Everything outside the netlist that decides what the board does; hashable, so results can be cached.

    ``pins`` drives the microcontroller: pairs such as ("PB0", "high"), levels high, low, input, pullup; what is not
    named is an input. ``mcu`` is running, reset or blank (supply current, and whether the reference is connected).
    When it cannot run (no supply, no clock, blank, held in reset) its pins are inputs whatever is asked for.
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
    ohmmeter_current_a: float = 1e-4
    ohmmeter_limit_v: float = 5.0  # the ohmmeter's own voltage; near it the answer is over range
    joints_open: bool = False  # intermittent joints are open at this moment (see BoardModel.intermittent)
    temperature_degc: float = 23.0

    def __post_init__(self) -> None:
        if self.mcu not in MODES:
            raise ValueError(f"mcu is one of {', '.join(MODES)}, not {self.mcu!r}")
        for pin, level in self.pins:
            if level not in LEVELS:
                raise ValueError(f"pin {pin} is driven {', '.join(LEVELS)}, not {level!r}")


class Renamed(Mapping[str, float]):
    """Values of one mapping under other names: pins by way of their nets, without copying hundreds of them."""

    def __init__(self, values: Mapping[str, float], names: Mapping[str, str]) -> None:
        self._values, self._names = values, names

    def __getitem__(self, name: str) -> float:
        return self._values[self._names[name]]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


@dataclass(frozen=True, slots=True, kw_only=True)
class Operating:
    """The solved board. Voltages are averages over a period while the oscillator runs."""

    voltages: Mapping[str, float]  # by net and by test point
    pins: Mapping[str, float]  # by pin, "U3.6" and "U3.PD4"; differs from the net behind an open joint
    supply_current_a: float
    in_current_limit: bool
    relays: Mapping[str, bool]  # K1, K2: coil above the operate voltage
    lamps: Mapping[str, float]  # LED1, LED2: current, A
    resistance_ohm: float | None  # what the ohmmeter sees; inf: over range
    mcu_clock_hz: float  # 0.0: no clock
    mcu_programmable: bool  # answers at the programming header
    mcu_runs: bool  # powered, clocked, out of reset, programmed
    mcu_mode: str  # running, reset, blank or stopped (no clock): what its current and pins follow
    display_powered: bool
    output_level: str  # comparator: "low", "high", "oscillates", "off"
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
        """Whether the coil of K1 or K2 is above its operate voltage."""
        return self.relays[designator]


@dataclass(frozen=True, slots=True, kw_only=True)
class Oscillation:
    """What the comparator does, and what of it arrives at the microcontroller's T0."""

    frequency_hz: float  # at the comparator's output; 0.0: does not oscillate
    t0_frequency_hz: float  # at the counter input, from the comparator or a generator there; 0.0: no valid levels
    amplitude_v: float  # peak, at the comparator's + input
    duty: float  # fraction of the period with the output high
    sigma_hz: float  # standard deviation of the mean frequency over 1 s
    extra_edges: float  # expected extra counts per period from comparator noise on a slow edge
    loaded_q: float
