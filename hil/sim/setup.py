"""What a simulated bench is made of: plain values that the bench file, the kit and the netlist are turned into."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from hil.core.equipment import Accuracy, Part

KINDS = ("supply", "voltmeter", "counter", "generator", "selector", "thermometer")


@dataclass(frozen=True, slots=True, kw_only=True)
class SimInstrument:
    """One instrument on the bench.

    Args:
        role: its role in the bench file.
        kind: what it is, one of `KINDS`; usually the role itself.
        address: VISA resource name at which it answers; "" when only the operator can read it.
        identity: answer to ``*IDN?``; "" gives a name of our own.
        accuracy: limits of error by quantity (voltage, current, resistance, frequency, temperature); what is missing
            comes from the data sheet in `hil.sim.instruments`.
    """

    role: str
    kind: str
    address: str = ""
    identity: str = ""
    accuracy: Mapping[str, Accuracy] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"{self.role}: no simulated instrument of kind {self.kind!r}; known: {', '.join(KINDS)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSetup:
    """The whole bench.

    Args:
        instruments: one of each kind at most; kinds that are missing exist all the same, without an address, so that
            the operator can read them.
        parts: reference parts with their certificates; the bench draws each one's true value from its certificate.
        part_channels: selector channel that connects each part to the terminals.
        probe_channels: selector channel that connects each test point to voltmeter and counter: the first one closed
            goes to the upper lead, a second one to the lower lead, which else rests on the jig's ground. ``TP_T0``
            connects the generator to T0 past the comparator.
    """

    name: str = "simulated"
    instruments: tuple[SimInstrument, ...] = ()
    parts: Mapping[str, Part] = field(default_factory=dict)
    part_channels: Mapping[str, int] = field(default_factory=dict)
    probe_channels: Mapping[str, int] = field(default_factory=dict)
    ambient_degc: float = 23.0
