"""Limits: what a reading must be for a unit to be right. Frozen values that cannot exist wrong; no files here.

A limit is one of three: a zone ``lower`` … ``upper`` of which one side may be missing; a zone around a reference,
±(relative · |nominal| + absolute), whose nominal may be the value of a reference part and is then known only when the
kit is (`Limit.around`); or one ``expected`` text or boolean.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase

from hil.core.records import Value
from hil.core.units import UNITS

RULE_KINDS = ("simple", "guard_band", "specific_risk", "global_risk")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a value was written; left out of every comparison."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """A closed interval; None is an open side."""

    lower: float | None
    upper: float | None

    def __contains__(self, value: object) -> bool:
        if not isinstance(value, (int, float)) or math.isnan(value):
            return False
        return (self.lower is None or value >= self.lower) and (self.upper is None or value <= self.upper)

    @property
    def is_empty(self) -> bool:
        """Nothing can lie inside: the guard bands have eaten the tolerance."""
        return self.lower is not None and self.upper is not None and self.lower > self.upper


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """The decision rule of a limit (JCGM 106:2012, ILAC-G8:09/2019).

    ``simple`` accepts up to the tolerance limit; ``guard_band`` keeps w = r·U away from it; ``specific_risk`` and
    ``global_risk`` find the guard band from ``max_risk`` of false acceptance, given the process for the global one.
    A binary rule knows pass and fail; another one has ``undecided`` in between. ``repeats`` readings are averaged
    in one repeat stage after an undecided first stage; 1 means no such stage.
    """

    kind: str = "simple"
    r: float = 1.0
    max_risk: float | None = None
    risk: str = "joint"  # of the global risk: joint, or conditional on acceptance
    process_mean: float | None = None  # in the unit of the limit
    process_sd: float | None = None
    binary: bool = True
    accepts_conditional: bool = False  # a conditional pass of the four-way statement counts as pass
    repeats: int = 1

    def __post_init__(self) -> None:
        if self.kind not in RULE_KINDS:
            raise ValueError(f"rule {self.kind!r} is not known; known: {', '.join(RULE_KINDS)}")
        if not (math.isfinite(self.r) and self.r >= 0):
            raise ValueError(f"r must be zero or more, not {self.r!r}")
        if self.max_risk is not None and not 0 < self.max_risk < 0.5:
            raise ValueError(f"max_risk must lie between 0 and 0.5, not {self.max_risk!r}")
        if self.kind.endswith("_risk") and self.max_risk is None:
            raise ValueError(f"rule {self.kind!r} needs max_risk, for example max_risk = 0.02")
        if self.risk not in ("joint", "conditional"):
            raise ValueError(f"risk is 'joint' or 'conditional', not {self.risk!r}")
        if self.process_sd is not None and not (math.isfinite(self.process_sd) and self.process_sd > 0):
            raise ValueError(f"process_sd must be more than zero, not {self.process_sd!r}")
        if self.kind == "global_risk" and self.process_sd is None:
            raise ValueError("rule 'global_risk' needs process_sd, the standard deviation of the process")
        if self.repeats < 1:
            raise ValueError(f"repeats must be 1 or more, not {self.repeats!r}")
        if self.repeats > 1 and self.binary:
            raise ValueError("repeats need binary = false: a binary rule leaves nothing undecided to repeat")


SIMPLE = Rule()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """±(relative · |nominal| + absolute); ``relative`` is a ratio, ``absolute`` in the unit of the limit."""

    relative: float = 0.0
    absolute: float = 0.0

    def __post_init__(self) -> None:
        for name, value in (("relative", self.relative), ("absolute", self.absolute)):
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"the {name} tolerance must be zero or more, not {value!r}")
        if self.relative == 0 and self.absolute == 0:
            raise ValueError("a tolerance of zero accepts nothing")

    def around(self, nominal: float) -> Zone:
        """The zone around a reference value."""
        half = self.relative * abs(nominal) + self.absolute
        return Zone(lower=nominal - half, upper=nominal + half)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One row of a limits file; its name is the name of the reading.

    ``at`` are the conditions the check sets up (values in unprefixed units, or text). A limit around a reference
    part has no ``lower`` and ``upper`` until `around` gives it the part's value.

    Raises:
        ValueError: the limit contradicts itself or can accept nothing.
    """

    name: str
    title: str = ""
    unit: str = ""
    lower: float | None = None
    upper: float | None = None
    expected: Value = None
    nominal: float | None = None
    tolerance: Tolerance | None = None
    scopes: tuple[str, ...] = ("full",)
    at: Mapping[str, Value] = field(default_factory=dict)
    part: str | None = None
    reason: str = ""
    rule: Rule = SIMPLE
    margin: str | None = None
    place: Place | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise ValueError(f"the unit {self.unit!r} is not known; known: {', '.join(u for u in UNITS if u)}")
        for side, value in (("lower", self.lower), ("upper", self.upper), ("nominal", self.nominal)):
            if value is not None and not math.isfinite(value):
                raise ValueError(f"{side} must be a finite number, not {value!r}")
        if self.expected is not None:
            if self.lower is not None or self.upper is not None or self.tolerance is not None:
                raise ValueError("'expected' stands alone: take away lower, upper and tolerance")
        elif self.tolerance is not None:
            if self.nominal is not None and self.lower is None and self.upper is None:
                zone = self.tolerance.around(self.nominal)
                object.__setattr__(self, "lower", zone.lower)
                object.__setattr__(self, "upper", zone.upper)
            elif self.nominal is None and self.part is None:
                raise ValueError("a tolerance needs a nominal value or a part to be around")
        elif self.lower is None and self.upper is None:
            raise ValueError("nothing is limited: give lower, upper, a tolerance or an expected value")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(f"lower {self.lower:g} is above upper {self.upper:g}: nothing can pass")

    @property
    def is_numeric(self) -> bool:
        """Whether the reading is a number rather than a text or a boolean."""
        return self.expected is None

    @property
    def is_resolved(self) -> bool:
        """False while the value of the reference part is still to come."""
        return self.expected is not None or self.lower is not None or self.upper is not None

    @property
    def zone(self) -> Zone:
        """The tolerance zone."""
        return Zone(lower=self.lower, upper=self.upper)

    @property
    def centre(self) -> float:
        """The nominal, else the middle of the limits, else the one limit there is."""
        if self.nominal is not None:
            return self.nominal
        if self.lower is not None and self.upper is not None:
            return (self.lower + self.upper) / 2
        return self.upper if self.upper is not None else self.lower or 0.0

    def around(self, nominal: float) -> "Limit":
        """The same limit around another reference value; limits without a tolerance only note the nominal."""
        if self.tolerance is None:
            return replace(self, nominal=nominal)
        return replace(self, nominal=nominal, lower=None, upper=None)


def is_asked(name: str, only: str) -> bool:
    """Whether a row of that name is asked for by patterns of row names, separated by spaces; "" asks for all."""
    return not only or any(fnmatchcase(name, word) for word in only.split())


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """All limits of a board kind, in the order of the file."""

    board: str
    revision: str
    attempts: int
    scopes: Mapping[str, str]  # name -> what it covers, in words
    rows: tuple[Limit, ...]
    sha256: str
    file: str

    def __getitem__(self, name: str) -> Limit:
        for row in self.rows:
            if row.name == name:
                return row
        raise KeyError(name)

    def in_scope(self, scope: str, only: str = "") -> tuple[Limit, ...]:
        """Rows of a scope, and of those the ones whose name matches a pattern of ``only`` (words; empty: all)."""
        return tuple(row for row in self.rows if scope in row.scopes and is_asked(row.name, only))

    def outside(self, scope: str) -> tuple[str, ...]:
        """Names of the rows that a scope leaves out."""
        return tuple(row.name for row in self.rows if scope not in row.scopes)
