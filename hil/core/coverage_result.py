"""All that `hil coverage` says, put together from the trials: coverage, order and length of the test, groups."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from statistics import fmean

from hil.core.check_order import Failing, Left, left_out, seconds_to_fail, soonest
from hil.core.coverage import GOOD, Coverage, FaultOf, MovedIn, Tried, coverage
from hil.core.fault_groups import groups
from hil.core.plan import Plan
from hil.core.records import UnitVerdict

LEAST_GOOD = 10
# Rows that press keys, and groups that adjust the meter and read it afterwards, leave it in another state: they stay
# at the end, in their order.
LAST = ("key*",)
LAST_GROUPS = ("*calibration", "*capacitance", "*inductance", "*stored", "*port")
# An adjustment must be made, and shown to be stored in the right unit, whatever it catches.
KEPT = ("*.as_left", "stored_*", "serial_number")


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderFound:
    """Order and length of the test.

    Args:
        planned, best: row names in the order of the plan, and in the one that finds a fault soonest.
        planned_s, best_s: mean time until the first failed row of a faulty unit, s, weighted.
        good_s: what a good unit takes, s.
        seconds: what each row takes, s: the mean over good units where there are any, else as planned.
        left: rows that could be left out, one after the other.
    """

    planned: tuple[str, ...]
    best: tuple[str, ...]
    planned_s: float
    best_s: float
    good_s: float
    seconds: Mapping[str, float]
    left: tuple[Left, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageResult:
    """Everything together."""

    coverage: Coverage
    order: OrderFound
    groups: tuple[tuple[str, ...], ...]  # "" stands for no fault
    trials: int
    planned_trials: int


def result(
    faults: Sequence[FaultOf],
    tried: Sequence[Tried],
    plan: Plan,
    moved: MovedIn | None,
    *,
    planned_trials: int,
    most_loss: float = 0.01,
) -> CoverageResult:
    """Everything that follows from the trials.

    Args:
        most_loss: share of the weight that may be lost by leaving rows out.
    """
    names = [row.name for row in plan.rows]
    found = coverage(faults, tried, names, moved)
    return CoverageResult(
        coverage=found,
        order=order_of(faults, tried, plan, most_loss=most_loss),
        groups=_groups(faults, tried, found.good),
        trials=len(tried),
        planned_trials=planned_trials,
    )


def order_of(faults: Sequence[FaultOf], tried: Sequence[Tried], plan: Plan, *, most_loss: float) -> OrderFound:
    """Order and length, from the times of good units and from what each row catches."""
    good = [one for one in tried if one.trial.fault == GOOD and one.verdict is UnitVerdict.PASS]
    seconds = {row.name: fmean(one.row_seconds[row.name] for one in good) if good else row.seconds for row in plan.rows}
    failing = _failing(faults, tried)
    names = tuple(row.name for row in plan.rows)
    last = frozenset(
        row.name
        for row in plan.rows
        if any(fnmatchcase(row.group, group) for group in LAST_GROUPS)
        or any(fnmatchcase(row.name, name) for name in LAST)
    )
    best = soonest(plan.rows, seconds, failing, last=last)
    kept = frozenset(name for name in names if any(fnmatchcase(name, pattern) for pattern in KEPT))
    return OrderFound(
        planned=names,
        best=best,
        planned_s=seconds_to_fail(names, seconds, failing),
        best_s=seconds_to_fail(best, seconds, failing),
        good_s=sum(seconds.values()),
        seconds=seconds,
        left=left_out(plan.rows, seconds, failing, keep=kept, most_loss=most_loss),
    )


def _failing(faults: Sequence[FaultOf], tried: Sequence[Tried]) -> list[Failing]:
    units: dict[str, int] = {}
    for one in tried:
        units[one.trial.fault] = units.get(one.trial.fault, 0) + 1
    weights = {fault.name: fault.weight / units[fault.name] for fault in faults if fault.name in units}
    return [
        Failing(weight=weights[one.trial.fault], rows=frozenset(one.failed))
        for one in tried
        if one.trial.fault in weights and one.is_caught
    ]


def _groups(faults: Sequence[FaultOf], tried: Sequence[Tried], good: Sequence[Tried]) -> tuple[tuple[str, ...], ...]:
    """Groups among the first units, which are one and the same; a good one among them."""
    wanted = {fault.name for fault in faults} | {GOOD}
    same = {one.trial.fault: one.readings for one in tried if one.trial.number == 0 and one.trial.fault in wanted}
    sound = [one.readings for one in good if one.verdict is UnitVerdict.PASS]
    return groups(same, sound) if len(sound) >= LEAST_GOOD else ()
