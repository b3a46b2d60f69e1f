"""The kit of reference parts and the instruments: the life of each, and a cross-check of all from what is on record.

Every checked unit reads every part of the kit, and adjusting brings the readings to the part that adjusts. Whatever a
kind of meter makes of a part is alike from unit to unit, so a part that has moved shows: its readings have, against
those of the others. That needs no measurement beyond the checks of units.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

from hil.core.drift import DAYS_PER_YEAR, CrossCheck, attribute_interval, cross_check, drift_of, years_between
from hil.core.equipment import Kit, Part
from hil.core.records import Reading, Run
from hil.errors import UsageError
from hil.files.bench import BenchFile, Role

RELIABILITY = 0.95  # of instruments, at the end of their interval (common practice, no source)
LEAST_UNITS = 8  # on either side of the date
GROWN = 2.0  # times the certified U: then the unknown drift is most of it (common practice, no source)
ABOUT = 0.05  # a reading this near to a part's value, relatively, is a reading of the part
EFFICIENCY = 0.37  # of the median deviation of a normal sample, against the standard deviation
CONFIDENCE = 0.99  # that no part is blamed by chance
LEAST_U = 1e-6  # relative; counts resolve no more


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """Where a part stands today. Uncertainties are expanded, k = 2, in the unit of the part; rates a year.

    Args:
        back_by: day from which its U is more than `GROWN` times the certified one, or its due date when that is first.
        trouble: why it must not be used, in words.
    """

    part: Part
    value: float
    expanded_uncertainty: float
    rate: float
    u_rate: float
    is_significant: bool
    back_by: str
    trouble: str


def lives(kit: Kit, today: str) -> tuple[Life, ...]:
    """Every part of the kit in the order of its file."""
    return tuple(_life(part, today) for part in kit.parts.values() if part.present is not None)


def _life(part: Part, today: str) -> Life:
    drift = drift_of(part)
    grown = drift.day_when(GROWN * 2 * drift.last.standard_uncertainty)
    overdue = f"was due {part.due}" if part.due and part.due < today else ""
    return Life(
        part=part,
        value=drift.value_on(today),
        expanded_uncertainty=2 * drift.uncertainty_on(today),
        rate=drift.rate,
        u_rate=2 * drift.u_rate,
        is_significant=drift.is_significant,
        back_by=min(day for day in (grown, part.due) if day) if grown or part.due else "",
        trouble=f"damaged: {part.damaged}" if part.damaged else overdue,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentLife:
    """Where an instrument stands today, as its calibrations tell it.

    Args:
        calibrations: how often it came back from use; the first calibration of all tells nothing about use.
        interval_days: time after which it is still within its accuracy in `RELIABILITY` of all cases; None: unknown.
        back_by: the day that interval ends, or its due date when that is first.
        trouble: why it must not be used, in words.
    """

    role: str
    certificate: str
    due: str
    calibrations: int
    in_tolerance: int
    interval_days: float | None
    back_by: str
    trouble: str


def instrument_lives(bench: BenchFile, today: str) -> tuple[InstrumentLife, ...]:
    """Every instrument with a certificate, in the order of the bench file."""
    return tuple(_instrument_life(role, today) for role in bench.roles.values() if role.certificate)


def _instrument_life(role: Role, today: str) -> InstrumentLife:
    returned = role.history[1:]
    good = sum(one.in_tolerance for one in returned)
    days, back_by = None, role.due
    if returned:
        between = [
            years_between(before.date, after.date) * DAYS_PER_YEAR
            for before, after in zip(role.history, returned, strict=False)
        ]
        days = attribute_interval(median(between), RELIABILITY, len(returned), good).days
        ends = (date.fromisoformat(returned[-1].date) + timedelta(days=int(days))).isoformat()
        back_by = min(ends, role.due) if role.due else ends
    return InstrumentLife(
        role=role.role,
        certificate=role.certificate,
        due=role.due,
        calibrations=len(returned),
        in_tolerance=good,
        interval_days=days,
        back_by=back_by,
        trouble=f"was due {role.due}" if role.due and role.due < today else "",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What the readings at one part say: the cross-check, and how many units were read before and since."""

    check: CrossCheck
    before: int
    since: int


def cross_check_kit(runs: Iterable[Run], kit: Kit, *, since: str) -> tuple[Moved, ...]:
    """Hold the readings at each part since a date against those before, through the other parts of its kind.

    Medians of the units on either side, so that a faulty unit does not matter; u of a median of n is 1.2533·s/√n, s
    from the median deviation. A part is named with 99 % confidence, all parts taken together. What all parts of a
    kind share, as a new firmware would change it, cancels.

    Args:
        since: ISO date or time; the day the kit was last known to be right, or came back.

    Raises:
        UsageError: too few units on one side, or fewer than three parts of every kind.
    """
    errors: dict[str, tuple[dict[str, float], dict[str, float]]] = {}
    for run in runs:
        for reading in run.readings:
            error = _error_at(reading, kit)
            if error is not None:
                sides = errors.setdefault(reading.parts[0], ({}, {}))
                sides[run.opened.opened >= since][run.opened.serial] = error
    before, after = (max((len(sides[side]) for sides in errors.values()), default=0) for side in (0, 1))
    if min(before, after) < LEAST_UNITS:
        raise UsageError(
            f"{before} units were read before {since} and {after} since; {LEAST_UNITS} on either side are needed. "
            "Choose another --since, or check more units."
        )
    found: list[Moved] = []
    for unit in ("F", "H"):
        changes = {
            name: _change(*sides)
            for name, sides in errors.items()
            if kit[name].unit == unit and min(map(len, sides)) >= LEAST_UNITS
        }
        if len(changes) >= 3:
            checked = cross_check(changes)
            found += [
                Moved(check=one, before=len(errors[one.part][0]), since=len(errors[one.part][1])) for one in checked
            ]
    if not found:
        raise UsageError("fewer than three parts of a kind were read on both sides: nobody could say which one moved.")
    return tuple(found)


def _simultaneous_factor(parts: int, dof: float) -> float:
    """k with which at rest no part of so many is blamed with 99 % confidence (Bonferroni; t-distribution)."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 1 - (1 - CONFIDENCE) / (2 * parts)))


def _error_at(reading: Reading, kit: Kit) -> float | None:
    """Relative error of indication at a part; what is left of it after adjusting counts for the part that adjusts."""
    if len(reading.parts) != 1 or reading.parts[0] not in kit or not isinstance(reading.value, float):
        return None
    part = kit[reading.parts[0]]
    if part.unit not in ("F", "H") or part.present is None:
        return None
    if reading.unit == "" and reading.name.endswith(".as_left"):
        return reading.value
    if reading.unit != part.unit or not reading.nominal or abs(reading.nominal / part.value - 1) > ABOUT:
        return None
    return reading.value / reading.nominal - 1


def _change(before: Mapping[str, float], since: Mapping[str, float]) -> tuple[float, float]:
    (first, u_first), (second, u_second) = _middle(list(before.values())), _middle(list(since.values()))
    return second - first, max(LEAST_U, math.hypot(u_first, u_second))


def _middle(values: Sequence[float]) -> tuple[float, float]:
    middle = median(values)
    spread = 1.4826 * median(abs(value - middle) for value in values)  # of a normal distribution
    return middle, 1.2533 * spread / math.sqrt(len(values))
