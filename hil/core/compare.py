"""What a firmware change moved: two sets of runs on the same units → shifts, each said to be same, changed or open.

Units are the sample; repeats are nested in them and averaged first, so that many repeats on one unit are not mistaken
for many units. What both sets share - reference parts, instruments, the unit itself - cancels in the difference and is
left out. The spread of single readings is never believed to be smaller than that of their resolution (resolution/√12).

    same         the 90 % interval of the shift lies inside ±margin
    changed      it lies wholly outside
    cannot tell  else, with the number of repeats that would settle it, or that none will
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import stats

from hil.core.equivalence import Difference, holm, paired, power_changed, power_same, unpaired
from hil.core.records import Value

SIGNIFICANT = 0.05  # for shifts inside the margin and for the list of changes, after Holm
SETTLED_POWER = 0.8  # chance of a clear answer that a number of repeats must give
MOST_REPEATS, MOST_UNITS = 1000, 200
NOISIER = 2.0  # spread counts as changed when it surely is more than this many times as large

Groups = Mapping[str, Sequence[float]]  # serial number -> repeats


class Finding(StrEnum):
    """What is said about one quantity, and about the whole comparison."""

    SAME = "same"
    CHANGED = "changed"
    CANNOT_TELL = "cannot tell"


class Kind(StrEnum):
    """What is compared."""

    VALUE = "value"
    TEXT = "text"
    SPREAD = "spread"
    TIME = "time"
    SIZE = "size"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """One quantity before and after.

    Args:
        margin: how far it may move; None when it is not judged (texts, or quantities that an adjustment sets).
        difference: candidate less baseline; None for texts and when one side has no numbers.
        within: standard deviation of repeats on one unit, as used (floor included).
        between: standard deviation of the shift from unit to unit that repeats do not explain.
        repeats: for "cannot tell", repeats on each side that would settle it; None: no number of them will.
        units: then, units that would; None: no number of those either (the shift is as large as the margin).
        is_significant: for "same", a shift that is surely not zero although inside the margin (Holm over all).
        p_value: of the finding "changed", adjusted by Holm over the whole list.
    """

    name: str
    kind: Kind = Kind.VALUE
    unit: str = ""
    finding: Finding
    margin: float | None = None
    baseline: Value = None
    candidate: Value = None
    difference: Difference | None = None
    within: float = 0.0
    between: float = 0.0
    unit_count: int = 0
    repeats: int | None = None
    units: int | None = None
    is_significant: bool = False
    p_value: float = 1.0
    reason: str = ""

    @property
    def in_margins(self) -> tuple[float, float, float] | None:
        """Shift and ends of its 90 % interval in units of the margin; None without a margin."""
        if self.difference is None or not self.margin:
            return None
        lower, upper = self.difference.interval()
        return self.difference.value / self.margin, lower / self.margin, upper / self.margin


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All shifts with what they amount to."""

    shifts: tuple[Shift, ...]

    def of(self, finding: Finding) -> tuple[Shift, ...]:
        """Shifts with this finding."""
        return tuple(shift for shift in self.shifts if shift.finding is finding)

    @property
    def finding(self) -> Finding:
        """Changed when anything surely changed, else open when anything is open, else same."""
        for finding in (Finding.CHANGED, Finding.CANNOT_TELL):
            if self.of(finding):
                return finding
        return Finding.SAME


def shift_of(baseline: Groups, candidate: Groups, *, floor: float = 0.0) -> tuple[Difference, float, float]:
    """The shift over the units that both have, the spread within units, and that between units.

    With one unit its repeats are the sample (Welch) and the answer holds for that unit alone; with one repeat each,
    nothing is known.

    Args:
        floor: smallest standard deviation of a single reading that is believed (resolution/√12).

    Raises:
        ValueError: no unit in common.
    """
    serials = [serial for serial in baseline if serial in candidate and baseline[serial] and candidate[serial]]
    if not serials:
        raise ValueError("the two have no unit in common")
    within = max(_within([baseline[s] for s in serials] + [candidate[s] for s in serials]), floor)
    shares = [1 / len(baseline[s]) + 1 / len(candidate[s]) for s in serials]
    if len(serials) == 1:
        first, second = baseline[serials[0]], candidate[serials[0]]
        if min(len(first), len(second)) < 2:
            value = _mean(second) - _mean(first)
            return Difference(value=value, standard_error=math.inf, dof=0.0), within, 0.0
        return unpaired(first, second, floor=floor), within, 0.0
    differences = [_mean(candidate[s]) - _mean(baseline[s]) for s in serials]
    by_repeats = within**2 * _mean(shares)
    # A floor on single readings is one on their differences, by the number of readings in each mean.
    difference = paired(differences, floor=floor * math.sqrt(_mean(shares)))
    seen = difference.standard_error**2 * len(serials)
    return difference, within, math.sqrt(max(0.0, seen - by_repeats))


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _within(groups: Sequence[Sequence[float]]) -> float:
    """Pooled standard deviation of repeats; 0.0 when nothing was repeated."""
    dof = sum(len(group) - 1 for group in groups)
    if dof == 0:
        return 0.0
    total = sum(math.fsum((value - _mean(group)) ** 2 for value in group) for group in groups)
    return math.sqrt(total / dof)


def classify(difference: Difference, margin: float) -> Finding:
    """Where the 90 % interval lies.

    Raises:
        ValueError: a margin that is not above zero.
    """
    if not margin > 0:
        raise ValueError(f"a margin must be above zero, not {margin!r}")
    lower, upper = difference.interval()
    if -margin < lower and upper < margin:
        return Finding.SAME
    if lower > margin or upper < -margin:
        return Finding.CHANGED
    return Finding.CANNOT_TELL


def numbers_to_settle(
    shift: float, *, within: float, between: float, unit_count: int, repeats: int, margin: float
) -> tuple[int | None, int | None]:
    """How many repeats (with these units), and how many units (with these repeats), would give a clear answer.

    Clear means with a chance of `SETTLED_POWER`, taking the shift and the spreads found as the true ones; None when
    no number does.
    """

    def is_clear(units: int, each: int) -> bool:
        error = math.sqrt((between**2 + 2 * within**2 / each) / units)
        dof = units - 1 if units > 1 else 2 * (each - 1)
        power = power_same if abs(shift) < margin else power_changed
        return power(shift=shift, standard_error=error, dof=dof, margin=margin) >= SETTLED_POWER

    by_repeats = _first(lambda each: is_clear(unit_count, each), max(repeats, 1), MOST_REPEATS)
    by_units = _first(lambda units: is_clear(units, max(repeats, 1)), max(unit_count, 2), MOST_UNITS)
    return by_repeats, by_units


def _first(is_enough: Callable[[int], bool], smallest: int, largest: int) -> int | None:
    """Smallest number that is enough, more always being better; None when even the largest is not."""
    if not is_enough(largest):
        return None
    low, high = smallest, largest
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle + 1, high)
    return low


def compare_values(
    name: str, baseline: Groups, candidate: Groups, *, margin: float | None, unit: str = "", floor: float = 0.0,
    kind: Kind = Kind.VALUE,
) -> Shift:  # fmt: skip
    """Compare one quantity. Without a margin it is only reported, as the same."""
    common = [serial for serial in baseline if serial in candidate]
    before, after = ([v for s in common for v in side[s]] for side in (baseline, candidate))
    lost = [serial for serial in common if baseline[serial] and not candidate[serial]]
    if not before or not after or lost:
        shift = Shift(
            name=name, kind=kind, unit=unit, finding=Finding.CANNOT_TELL, margin=margin, unit_count=len(common),
            baseline=_mean(before) if before else None, candidate=_mean(after) if after else None,
        )  # fmt: skip
        if not before:
            return replace(shift, reason="the baseline has no reading" if after else "neither has a reading")
        where = "" if len(lost) == len(common) else f" on {', '.join(lost)}"
        return replace(shift, finding=Finding.CHANGED, p_value=0.0, reason=f"the candidate has no reading{where}")
    difference, within, between = shift_of(baseline, candidate, floor=floor)
    shift = Shift(
        name=name, kind=kind, unit=unit, finding=Finding.SAME, margin=margin, baseline=_mean(before),
        candidate=_mean(after), difference=difference, within=within, between=between, unit_count=len(common),
    )  # fmt: skip
    if margin is None:
        return replace(shift, reason="not judged: an adjustment sets it")
    finding = classify(difference, margin)
    if finding is not Finding.CANNOT_TELL:
        return replace(shift, finding=finding, p_value=difference.p_beyond(margin))
    repeats = round(_mean([float(len(side[s])) for side in (baseline, candidate) for s in common]))
    by_repeats, by_units = numbers_to_settle(
        difference.value, within=within, between=between, unit_count=len(common), repeats=repeats, margin=margin
    )
    return replace(shift, finding=finding, repeats=by_repeats, units=by_units, p_value=difference.p_beyond(margin))


def compare_texts(
    name: str, baseline: Mapping[str, Sequence[Value]], candidate: Mapping[str, Sequence[Value]]
) -> Shift:
    """Compare texts and yes/no readings: the same on every unit, different on some unit, or not repeatable."""
    common = [serial for serial in baseline if serial in candidate]
    sets = [({*baseline[s]}, {*candidate[s]}) for s in common]
    shift = Shift(name=name, kind=Kind.TEXT, finding=Finding.SAME, unit_count=len(common))
    for before, after in sets:
        if before == after and len(before) == 1:
            continue
        shown = replace(shift, baseline=_shown(before), candidate=_shown(after))
        if not before & after:
            return replace(shown, finding=Finding.CHANGED, p_value=0.0, reason="another text")
        shift = replace(shown, finding=Finding.CANNOT_TELL, reason="not the same from repeat to repeat")
    if shift.finding is Finding.SAME and sets:
        shift = replace(shift, baseline=_shown(sets[0][0]), candidate=_shown(sets[0][1]))
    return shift if sets else replace(shift, finding=Finding.CANNOT_TELL, reason="no unit in common")


def _shown(values: set[Value]) -> str:
    return " | ".join(sorted("nothing" if value is None else str(value) for value in values))


def compare_spread(
    name: str, baseline: Groups, candidate: Groups, *, unit: str = "", floor: float = 0.0
) -> Shift | None:
    """Compare the spread of repeats: changed when it surely is more than `NOISIER` times as large (or as small).

    None when nothing was repeated on one side. The ratio of variances is held against F.
    """
    groups = [[values for values in side.values() if len(values) > 1] for side in (baseline, candidate)]
    dof = [sum(len(values) - 1 for values in side) for side in groups]
    if not all(dof):
        return None
    spreads = [max(_within(side), floor) for side in groups]
    shift = Shift(
        name=name, kind=Kind.SPREAD, unit=unit, finding=Finding.SAME, margin=None, baseline=spreads[0],
        candidate=spreads[1], unit_count=len(groups[0]),
    )  # fmt: skip
    if min(spreads) == 0:
        return shift if max(spreads) == 0 else replace(shift, reason="one side shows no spread at all")
    ratio = (spreads[1] / spreads[0]) ** 2
    larger = float(stats.f.sf(ratio / NOISIER**2, dof[1], dof[0]))
    smaller = float(stats.f.sf(1 / ratio / NOISIER**2, dof[0], dof[1]))
    p_value = min(1.0, 2 * min(larger, smaller))
    return replace(shift, finding=Finding.CHANGED if p_value < SIGNIFICANT else Finding.SAME, p_value=p_value)


def against_chance(shifts: Sequence[Shift]) -> Comparison:
    """Hold the changes against chance (Holm): what does not survive is open. Flag what moved inside its margin."""
    # Chance moves what is measured with spread; texts, sizes and readings that are gone are no matter of chance.
    tested = [place for place, one in enumerate(shifts) if one.kind is Kind.SPREAD or (one.difference and one.margin)]
    adjusted = [shift.p_value for shift in shifts]
    for place, p_value in zip(tested, holm([adjusted[place] for place in tested]), strict=True):
        adjusted[place] = p_value
    judged = [shift for shift in shifts if shift.difference is not None and shift.kind is Kind.VALUE]
    zero = dict(
        zip((id(shift) for shift in judged), holm([s.difference.p_zero() for s in judged if s.difference]), strict=True)
    )
    held = []
    for shift, p_value in zip(shifts, adjusted, strict=True):
        now = replace(shift, p_value=p_value)
        if shift.finding is Finding.CHANGED and p_value >= SIGNIFICANT:
            reason = f"changed if it stood alone; among {len(tested)} quantities chance explains it"
            now = replace(
                now, finding=Finding.SAME if shift.kind is Kind.SPREAD else Finding.CANNOT_TELL, reason=reason
            )
        elif shift.finding is Finding.SAME and shift.margin is not None and zero.get(id(shift), 1.0) < SIGNIFICANT:
            now = replace(now, is_significant=True)
        held.append(now)
    return Comparison(shifts=tuple(held))


def granularity(*sides: Groups) -> float:
    """The smallest step between repeats on one unit: their resolution as far as the data show it; 0.0 without any."""
    smallest = math.inf
    for side in sides:
        for repeats in side.values():
            steps = np.diff(np.unique(repeats))
            smallest = min(smallest, float(steps.min()) if steps.size else math.inf)
    return smallest if math.isfinite(smallest) else 0.0
