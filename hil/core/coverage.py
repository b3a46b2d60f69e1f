"""What the checks catch: trials of units with one fault each, and the figures that follow from them.

A trial is one unit with one fault (or none) that went through the checks of `hil check`. What came of it is kept with
every reading's value, because a fault is told from another by all readings and not by the failed ones alone.

A fault's name is its text in the universe (``R5=+20%``); what was really put into the unit may differ in strength
(``R5=+23%``) and stands beside it.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from hil.core.records import UnitVerdict, Value, Verdict
from hil.core.visibility import Moved

GOOD = ""  # the name of no fault
MovedIn = Mapping[tuple[str, int], tuple[Moved, ...]]  # by fault and number of the unit, farthest first


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A unit to be tried.

    Args:
        fault: its name in the universe; `GOOD` for a unit without one.
        number: which unit with that fault, from 0.
        serial: decides the true values of everything else in it.
        made: the fault as it was put into the unit, as for ``--fault``; its strength may differ from the name's.
            Several faults have spaces between them.
    """

    fault: str
    number: int
    serial: str
    made: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One reading of a trial: value in unprefixed SI units (None: there is none), and what it was judged."""

    value: Value
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What came of a trial.

    Args:
        readings: by row name, in the order in which they were taken; not measured ones too.
        trouble: why the bench gave up, "" when it did not.
        seconds: on the bench clock, the whole run.
        row_seconds: on the bench clock, by row name.
    """

    trial: Trial
    verdict: UnitVerdict
    readings: Mapping[str, Seen]
    trouble: str = ""
    seconds: float = 0.0
    row_seconds: Mapping[str, float] = field(default_factory=dict)

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of the failed rows, in the order in which they were taken."""
        return tuple(name for name, seen in self.readings.items() if seen.verdict is Verdict.FAIL)

    @property
    def is_caught(self) -> bool:
        """Whether the unit was judged and failed."""
        return self.verdict is UnitVerdict.FAIL


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultOf:
    """A member of the universe, as these figures need it.

    Args:
        weight: relative frequency; all weights of a universe add up to 1.
        inspection: why no reading may show it and what would find it, "" when nobody has said so.
    """

    name: str
    fault_class: str
    components: tuple[str, ...]
    weight: float
    inspection: str = ""


class State(StrEnum):
    """How well a fault is covered."""

    CAUGHT = "caught"
    SOMETIMES = "sometimes"  # in some of its units
    MISSED = "missed"
    UNTRIED = "untried"


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCoverage:
    """What came of one fault.

    Args:
        units: so many units were tried with it, and so many of them failed.
        failed: rows that failed, with the number of units in which they did.
        alone: rows that were the only one to fail in some unit, likewise.
        looked: units that were looked at: whether anything, planned or not, could show the fault there.
        visible: so many of these it could be seen in, and so many of those failed.
        moved: what it moves beyond good units, farthest first, in a unit that should have failed and did not, where
            there is one; None when nobody has looked.
        stopped: units that stopped the bench, which says nothing about the unit.
    """

    fault: FaultOf
    units: int
    caught: int
    failed: Mapping[str, int]
    alone: Mapping[str, int]
    looked: int = 0
    visible: int = 0
    visible_caught: int = 0
    moved: tuple[Moved, ...] | None = None
    stopped: int = 0

    @property
    def share(self) -> float:
        """Share of its units that failed; 0 when none was tried."""
        return self.caught / self.units if self.units else 0.0

    @property
    def state(self) -> State:
        """In words."""
        if not self.units:
            return State.UNTRIED
        return State.CAUGHT if self.caught == self.units else State.SOMETIMES if self.caught else State.MISSED

    @property
    def visible_share(self) -> float:
        """Share of the units looked at in which it could be seen; 0 when nobody has looked."""
        return self.visible / self.looked if self.looked else 0.0

    @property
    def visible_caught_share(self) -> float:
        """Share of the units looked at in which it could be seen and was caught."""
        return self.visible_caught / self.looked if self.looked else 0.0

    @property
    def escapes(self) -> bool:
        """Whether it passed in a unit in which it could be seen."""
        return self.visible_caught < self.visible

    @property
    def reason(self) -> str:
        """Why it is not caught in every unit; "" when it is."""
        if self.state in (State.CAUGHT, State.UNTRIED):
            return ""
        if self.moved is None:
            return self.fault.inspection or "nobody has looked what it moves"
        if not self.escapes:
            where = "" if self.state is State.MISSED else " in the others"
            return f"moves nothing by more than 3 U{where}. {self.fault.inspection}".strip()
        first = self.moved[0]
        far = "no answer" if math.isnan(first.value) else f"{first.value:.6g}"
        words = f"moves '{first.name}' to {far}, good units {first.lower:.6g} to {first.upper:.6g}"
        return f"{words}. {self.fault.inspection}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """Coverage of several faults together: counted, weighted, and of what is visible.

    A fault that could be seen in two of its three units counts as two thirds of a visible one.
    """

    name: str
    faults: int
    caught: float  # sum of the shares of their units that failed
    weight: float
    weight_caught: float
    visible: float
    visible_caught: float
    visible_weight: float
    visible_weight_caught: float

    @property
    def share(self) -> float:
        """Share of the faults that is caught; NaN without faults."""
        return self.caught / self.faults if self.faults else math.nan

    @property
    def weighted_share(self) -> float:
        """The same by weight."""
        return self.weight_caught / self.weight if self.weight else math.nan

    @property
    def visible_share(self) -> float:
        """Share of the visible faults that is caught."""
        return self.visible_caught / self.visible if self.visible else math.nan

    @property
    def visible_weighted_share(self) -> float:
        """The same by weight."""
        return self.visible_weight_caught / self.visible_weight if self.visible_weight else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class RowCoverage:
    """What one row contributes.

    A row that comes after a failed one is not measured, so `alone` is the most that can be lost without the row: what
    was not measured might have failed as well.
    """

    name: str
    faults: int  # that it catches in some unit
    alone: int  # of which nothing else fails in some unit
    weight_alone: float  # weight times share of units


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Coverage of a universe, or of the part of it that was tried."""

    faults: tuple[FaultCoverage, ...]
    good: tuple[Tried, ...]
    rows: tuple[RowCoverage, ...]

    @property
    def good_failed(self) -> tuple[Tried, ...]:
        """Good units that were not passed."""
        return tuple(one for one in self.good if one.verdict is not UnitVerdict.PASS)

    def total(self) -> Total:
        """All faults together."""
        return _total("all", self.tried)

    @property
    def tried(self) -> tuple[FaultCoverage, ...]:
        """Faults with at least one unit."""
        return tuple(one for one in self.faults if one.units)

    def by_class(self) -> tuple[Total, ...]:
        """One total for each class, in the order of the universe."""
        return self._by(lambda one: (one.fault.fault_class,))

    def by_component(self) -> tuple[Total, ...]:
        """One total for each component; a fault of two components counts for both."""
        return self._by(lambda one: one.fault.components)

    def _by(self, names: Callable[[FaultCoverage], tuple[str, ...]]) -> tuple[Total, ...]:
        groups: dict[str, list[FaultCoverage]] = {}
        for one in self.tried:
            for name in names(one):
                groups.setdefault(name, []).append(one)
        return tuple(_total(name, members) for name, members in groups.items())

    def not_caught(self) -> tuple[FaultCoverage, ...]:
        """Faults that some or all of their units hide, those that could be seen and then the frequent ones first."""
        found = [one for one in self.tried if one.state is not State.CAUGHT]
        return tuple(sorted(found, key=lambda one: (not one.escapes, -one.fault.weight * (1 - one.share))))

    def idle_rows(self) -> tuple[str, ...]:
        """Rows that catch nothing that another does not catch as well."""
        return tuple(row.name for row in self.rows if not row.alone)


def coverage(
    faults: Sequence[FaultOf],
    tried: Iterable[Tried],
    rows: Sequence[str],
    moved: MovedIn | None = None,
) -> Coverage:
    """Put together what came of the trials.

    Args:
        rows: names of the planned rows, in their order.
        moved: what faults move, of the units that were looked at.
    """
    by_fault: dict[str, list[Tried]] = {}
    for one in tried:
        by_fault.setdefault(one.trial.fault, []).append(one)
    found = tuple(_fault(fault, by_fault.get(fault.name, []), moved or {}) for fault in faults)
    return Coverage(
        faults=found,
        good=tuple(by_fault.get(GOOD, ())),
        rows=tuple(_row(name, found) for name in rows),
    )


def _fault(fault: FaultOf, tried: Sequence[Tried], moved: MovedIn) -> FaultCoverage:
    failed, alone = Counter[str](), Counter[str]()
    for one in tried:
        failed.update(one.failed)
        if len(one.failed) == 1:
            alone.update(one.failed)
    looks = [(one.is_caught, moved[place]) for one in tried if (place := (fault.name, one.trial.number)) in moved]
    telling = sorted(looks, key=lambda look: (look[0], not look[1]))  # not caught though visible comes first
    return FaultCoverage(
        fault=fault,
        units=len(tried),
        caught=sum(one.is_caught for one in tried),
        failed=dict(failed),
        alone=dict(alone),
        looked=len(looks),
        visible=sum(bool(found) for _, found in looks),
        visible_caught=sum(bool(found) and is_caught for is_caught, found in looks),
        moved=telling[0][1] if telling else None,
        stopped=sum(bool(one.trouble) for one in tried),
    )


def _row(name: str, faults: Sequence[FaultCoverage]) -> RowCoverage:
    return RowCoverage(
        name=name,
        faults=sum(name in one.failed for one in faults),
        alone=sum(name in one.alone for one in faults),
        weight_alone=math.fsum(one.fault.weight * one.alone.get(name, 0) / one.units for one in faults if one.units),
    )


def _total(name: str, faults: Sequence[FaultCoverage]) -> Total:
    return Total(
        name=name,
        faults=len(faults),
        caught=math.fsum(one.share for one in faults),
        weight=math.fsum(one.fault.weight for one in faults),
        weight_caught=math.fsum(one.fault.weight * one.share for one in faults),
        visible=math.fsum(one.visible_share for one in faults),
        visible_caught=math.fsum(one.visible_caught_share for one in faults),
        visible_weight=math.fsum(one.fault.weight * one.visible_share for one in faults),
        visible_weight_caught=math.fsum(one.fault.weight * one.visible_caught_share for one in faults),
    )
