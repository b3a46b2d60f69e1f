"""The order of the rows that finds a fault soonest, and what could be left out at what loss.

Each trial that failed tells which rows caught it; each row takes its time. The order is greedy: next comes the row,
together with the rows it must come after, that catches the most weight not yet caught in each second. (Finding the best
order is min-sum set cover, for which greedy is never more than four times as long as the best: Feige, Lovász and
Tetali, Algorithmica 40, 2004.) What a row comes after is kept: no board is powered before its resistances are known.

A row that was not measured because an earlier one failed counts as one that catches nothing, so what is said about
another order is rather too modest.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.core.plan import PlannedRow, comes_after

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Failing:
    """A trial that failed: its share of the weight of all faults, and the rows that failed."""

    weight: float
    rows: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """Rows left out so far, the last of them `name`: what that saves and what of the weight is no longer caught."""

    name: str
    saved_s: float
    loss: float


def first_breach(order: Sequence[str], rows: Sequence[PlannedRow]) -> tuple[str, str] | None:
    """A row that an order puts before another one which it comes after, and that other; None when there is none.

    Args:
        order: row names; rows that it does not name come last, as they stand in the plan.
    """
    place = {name: number for number, name in enumerate(order)}
    last = len(place)
    for name, needed in comes_after(rows).items():
        for other in sorted(needed, key=lambda one: place.get(one, last), reverse=True):
            if place.get(name, last) < place.get(other, last):
                return name, other
    return None


def soonest(
    rows: Sequence[PlannedRow],
    seconds: Mapping[str, float],
    failing: Sequence[Failing],
    *,
    last: frozenset[str] = frozenset(),
) -> tuple[str, ...]:
    """All rows in the order that finds a fault soonest.

    Rows of one group keep their order: a group may leave the unit in a state that its later rows count on.

    Args:
        seconds: what each row takes, s; planned times stand in for missing ones.
        last: rows that stay at the end as they stand, because what they adjust changes what others read.
    """
    end = tuple(row.name for row in rows if row.name in last)
    rows = [row for row in rows if row.name not in last]
    names = [row.name for row in rows]
    after, catches = _in_groups(rows), _catches(names, failing)
    weights = np.array([one.weight for one in failing])
    costs = {row.name: max(seconds.get(row.name, row.seconds), 1e-3) for row in rows}
    place = {name: number for number, name in enumerate(names)}
    left, order, missed = dict.fromkeys(names), list[str](), np.ones(len(failing), dtype=bool)
    while left:
        best, best_rate = [next(iter(left))], 0.0
        for name in left:
            bundle = [one for one in (*after[name], name) if one in left]
            gain = float(weights @ (np.any([catches[one] for one in bundle], axis=0) & missed))
            rate = gain / sum(costs[one] for one in bundle)
            if rate > best_rate * (1 + 1e-9):
                best, best_rate = bundle, rate
        if best_rate == 0.0:
            order.extend(left)
            break
        for name in sorted(best, key=place.__getitem__):
            order.append(name)
            missed &= ~catches[name]
            del left[name]
    return (*order, *end)


def _in_groups(rows: Sequence[PlannedRow]) -> dict[str, frozenset[str]]:
    """What each row comes after when rows of one group keep their order."""
    declared, found = comes_after(rows), dict[str, frozenset[str]]()
    latest: dict[str, str] = {}
    for row in rows:
        direct = declared[row.name] | ({latest[row.group]} if row.group in latest else set())
        found[row.name] = direct.union(*(found[name] for name in direct))
        latest[row.group] = row.name
    return found


def _catches(names: Sequence[str], failing: Sequence[Failing]) -> dict[str, Flags]:
    return {name: np.array([name in one.rows for one in failing], dtype=bool) for name in names}


def seconds_to_fail(order: Sequence[str], seconds: Mapping[str, float], failing: Sequence[Failing]) -> float:
    """Mean time until the first failed row of a faulty unit that is caught at all, s, weighted; NaN without any."""
    total = sum(one.weight for one in failing)
    at, passed = {}, 0.0
    for name in order:
        passed += seconds.get(name, 0.0)
        at[name] = passed
    spent = sum(one.weight * min((at[row] for row in one.rows if row in at), default=passed) for one in failing)
    return spent / total if total else float("nan")


def left_out(
    rows: Sequence[PlannedRow],
    seconds: Mapping[str, float],
    failing: Sequence[Failing],
    *,
    keep: frozenset[str] = frozenset(),
    most_loss: float = 0.01,
) -> tuple[Left, ...]:
    """Rows that could be left out, one after the other, those that save most for what they lose first.

    Only rows that no other row comes after can go, for what they find out may be what the others need.

    Args:
        keep: rows that must stay: they adjust the unit, or somebody has promised them.
        most_loss: stop before more than this share of the weight is lost.
    """
    names = [row.name for row in rows]
    after, catches = comes_after(rows), _catches(names, failing)
    weights = np.array([one.weight for one in failing])
    costs = {row.name: seconds.get(row.name, row.seconds) for row in rows}
    kept = dict.fromkeys(names)
    often = np.sum([catches[name] for name in names], axis=0) if names else np.zeros(len(failing))
    found, saved, loss = list[Left](), 0.0, 0.0
    while True:
        needed = frozenset[str]().union(*(after[name] for name in kept))
        candidates = [name for name in kept if name not in needed and name not in keep]
        losses = {name: float(weights @ (catches[name] & (often == 1))) for name in candidates}
        within = [name for name in candidates if loss + losses[name] <= most_loss]
        if not within:
            return tuple(found)
        name = max(within, key=lambda one: (costs[one] / (losses[one] + 1e-6), one))
        del kept[name]
        often = often - catches[name]
        saved, loss = saved + costs[name], loss + losses[name]
        found.append(Left(name=name, saved_s=saved, loss=loss))
