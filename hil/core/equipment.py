"""What the bench measures with: reference parts with their certificates, and the stated accuracy of instruments.

Plain frozen values. Dates are ISO texts compared as texts; today's date is always handed in. The value of a part
today, with its drift, is computed elsewhere from `Part.history` and the present certificate.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields

from hil.core.limit import Place

KINDS = {"capacitor": "F", "inductor": "H", "frequency": "Hz", "resistor": "ohm", "open": "", "short": ""}
USES = ("verify", "adjust", "check")


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """One calibration of one part: value and expanded uncertainty U = k·u in the unit of the part."""

    value: float
    expanded_uncertainty: float
    coverage_factor: float = 2.0
    dof: float | None = None  # effective degrees of freedom; None: infinite
    certificate: str = ""
    date: str = ""  # ISO date of issue

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"the value must be a finite number, not {self.value!r}")
        if not (math.isfinite(self.expanded_uncertainty) and self.expanded_uncertainty > 0):
            raise ValueError(f"the expanded uncertainty must be more than zero, not {self.expanded_uncertainty!r}")
        if not (math.isfinite(self.coverage_factor) and self.coverage_factor > 0):
            raise ValueError(f"the coverage factor must be more than zero, not {self.coverage_factor!r}")
        if self.dof is not None and not self.dof >= 1:
            raise ValueError(f"degrees of freedom must be 1 or more, not {self.dof!r}")

    @property
    def standard_uncertainty(self) -> float:
        """u = U / k."""
        return self.expanded_uncertainty / self.coverage_factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One calibration of an instrument: whether it was found within its stated accuracy."""

    certificate: str
    date: str  # ISO date of issue
    in_tolerance: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A reference part of the kit. ``use`` keeps parts apart: what adjusts a unit never verifies it."""

    name: str
    kind: str
    present: Certificate | None = None  # None for "open" and "short"
    frequency_hz: float | None = None  # where the certified value holds
    temperature_degc: float = 23.0
    temperature_coefficient_per_k: float = 0.0
    temperature_coefficient_tolerance_per_k: float = 0.0  # half-width of what the coefficient may really be
    self_resonance_hz: float | None = None
    self_resonance_tolerance: float = 0.05  # relative half-width of what it may really be
    parallel_capacitance_f: float | None = None
    series_resistance_ohm: float = 0.0
    parallel_resistance_ohm: float | None = None
    temperature_range_degc: tuple[float, float] = (18.0, 28.0)
    frequency_range_hz: tuple[float, float] | None = None  # where the part may be used at all
    due: str = ""  # ISO date
    use: str = "verify"
    damaged: str = ""  # what is wrong with it, in words; then it is not used
    description: str = ""
    history: tuple[Certificate, ...] = ()  # earlier ones, oldest first
    place: Place | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind {self.kind!r} is not known; known: {', '.join(KINDS)}")
        if self.use not in USES:
            raise ValueError(f"use {self.use!r} is not known; known: {', '.join(USES)}")
        if self.present is None and self.kind not in ("open", "short"):
            raise ValueError(f"a {self.kind} needs a certified value")

    @property
    def unit(self) -> str:
        """Unit of the certified value."""
        return KINDS[self.kind]

    @property
    def value(self) -> float:
        """The value of the present certificate; 0 for "open" (F) and "short" (H)."""
        return self.present.value if self.present else 0.0


OPEN = Part(name="open", kind="open", description="nothing at the terminals")
SHORT = Part(name="short", kind="short", description="terminals joined by the shorting bar")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """The box of reference parts; "open" and "short" always exist."""

    kit: str
    parts: Mapping[str, Part]
    file: str
    sha256: str = ""

    def __getitem__(self, name: str) -> Part:
        if name == "open":
            return self.parts.get(name, OPEN)
        if name == "short":
            return self.parts.get(name, SHORT)
        return self.parts[name]

    def __contains__(self, name: str) -> bool:
        return name in ("open", "short") or name in self.parts


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """Stated accuracy of one function of an instrument: ±(relative · |reading| + absolute), rectangular."""

    relative: float = 0.0
    absolute: float = 0.0

    def __post_init__(self) -> None:
        if not (self.relative >= 0 and self.absolute >= 0):
            raise ValueError("an accuracy must be zero or more")

    def half_width(self, reading: float) -> float:
        """Half-width of the rectangular distribution at a reading, in its unit."""
        return self.relative * abs(reading) + self.absolute


@dataclass(frozen=True, slots=True, kw_only=True)
class JigUncertainty:
    """What the jig of a bench adds to a reading of a part; half-widths, but standard deviations for the contacts.

    Args:
        zero_f, zero_h: what is left after the meter's zero was taken.
        contact_f, contact_h: scatter when a part is fitted again.
        terminals_f: how well the capacitance that the jig adds across the terminals is known.
        loss_at_1uf: relative, what the unknown part of its series resistance makes of a reading at 1 µF.
        leads_ohm: what leads and needles add to a resistance.
        temperature_k: of the parts, about the room's, where no thermometer stands at the jig.

    Raises:
        ValueError: one of them is not more than zero.
    """

    zero_f: float
    zero_h: float
    contact_f: float
    contact_h: float
    terminals_f: float
    loss_at_1uf: float
    leads_ohm: float
    temperature_k: float

    def __post_init__(self) -> None:
        _refuse_no_uncertainty(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterUncertainty:
    """What the kind of meter adds to a reading; frequencies relative.

    Args:
        noise: standard deviation of one gate's frequency beside its whole counts, with its degrees of freedom.
        drift_between_gates: half-width of what the tank's frequency moves between two gates of one check.
        drift_since_zero: the same between zero and reading.
        timebase: half-width after trim.
        timebase_drift: half-width of what it moves between two readings of one check.
        battery_step_v: one step of the converter, at the pack.

    Raises:
        ValueError: one of them is not more than zero, or degrees of freedom below one.
    """

    noise: float
    noise_dof: float
    drift_between_gates: float
    drift_since_zero: float
    timebase: float
    timebase_drift: float
    battery_step_v: float

    def __post_init__(self) -> None:
        _refuse_no_uncertainty(self)
        if not self.noise_dof >= 1:
            raise ValueError(f"noise_dof must be 1 or more, not {self.noise_dof!r}")


def _refuse_no_uncertainty(stated: JigUncertainty | MeterUncertainty) -> None:
    for entry in fields(stated):
        value = getattr(stated, entry.name)
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{entry.name} must be more than zero, not {value!r}")
