"""What a simulated bench is made of: plain values that the bench file, the kit and the netlist are turned into."""

from collections.abc import Mapping
from dataclasses import dataclass, field

KINDS = ("supply", "voltmeter", "counter", "generator", "selector", "thermometer")


@dataclass(frozen=True, slots=True, kw_only=True)
class SimInstrument:
    """One instrument on the bench.

    Args:
        role: its role in the bench file; usually the kind itself.
        kind: what it is, one of `KINDS`.
        address: VISA resource name at which it answers.
        identity: answer to ``*IDN?``; empty: a name of our own.
        accuracy: specified limits of error by quantity, ``{"voltage": (relative, absolute)}`` in unprefixed SI
            units; what is missing comes from the instrument's own data sheet (`hil.sim.instruments`).
    """

    role: str
    kind: str
    address: str
    identity: str = ""
    accuracy: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"{self.role}: no simulated instrument of kind {self.kind!r}; known: {', '.join(KINDS)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SimPart:
    """One reference part as its certificate tells it; the bench draws its true value.

    Args:
        kind: "capacitor", "inductor", "open" or "short".
        value: certified value, F or H, at `temperature_degc`.
        expanded_uncertainty: U of the certificate, same unit.
        self_resonance_hz: of an inductor, None for an ideal one.
        series_resistance_ohm: loss in series.
    """

    name: str
    kind: str
    value: float = 0.0
    expanded_uncertainty: float = 0.0
    coverage_factor: float = 2.0
    temperature_coefficient: float = 0.0
    temperature_degc: float = 23.0
    self_resonance_hz: float | None = None
    series_resistance_ohm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSetup:
    """The whole bench.

    Args:
        part_channels: selector channel that connects each reference part to the terminals.
        probe_channels: selector channel that connects each test point to voltmeter and counter; ``TP_T0`` connects
            the generator to T0 past the comparator.
        meter_baud: speed at which the meter's port is wired through (the adapter takes any).
    """

    name: str = "simulated"
    instruments: tuple[SimInstrument, ...] = ()
    parts: tuple[SimPart, ...] = ()
    part_channels: Mapping[str, int] = field(default_factory=dict)
    probe_channels: Mapping[str, int] = field(default_factory=dict)
    ambient_degc: float = 23.0
