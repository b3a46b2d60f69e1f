"""One reading against its limit, one unit from its readings.

The acceptance zone decides (JCGM 106:2012 clause 8): inside it a reading passes. With a binary rule everything
outside fails. With another rule the steps outward are those of ILAC-G8:09/2019 section 4.2.3, w being the guard band:

    inside the acceptance zone         pass               pass
    up to the tolerance limit          conditional pass   undecided, or pass when the rule accepts conditional forms
    up to the tolerance limit plus w   conditional fail   undecided, or fail when the rule accepts conditional forms
    beyond                             fail               fail

A reading that could not be taken (None) is not measured. A unit that answers "not a number" has answered: that
fails. An infinite answer is compared like any number, so an open circuit passes "at least 1 kohm"; both are recorded
as null with their reason.
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from hil.core.limit import Limit, Rule, Zone
from hil.core.records import Reading, Statement, UnitVerdict, Value, Verdict
from hil.core.units import show

STATEMENTS = (Statement.PASS, Statement.CONDITIONAL_PASS, Statement.CONDITIONAL_FAIL, Statement.FAIL)
EXIT_CODES = {UnitVerdict.PASS: 0, UnitVerdict.FAIL: 1, UnitVerdict.INCOMPLETE: 2}
_WORST_FIRST = (4, 3, 1, 2, 0)
_OPEN = Zone(lower=None, upper=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What became of one reading; ``value`` is what goes on record, with NaN and infinity as None."""

    value: Value
    verdict: Verdict
    reason: str = ""
    zone: Zone = _OPEN  # the acceptance zone
    statement: Statement = Statement.NONE


def steps_outside(values: Any, tolerance: Zone, acceptance: Zone) -> Any:
    """How far out a value lies: 0 in the acceptance zone … 3 beyond the tolerance limit plus guard band.

    Works on a float or on a numpy array, so that a simulated population passes the very comparison that units pass.
    NaN is 3 or more wherever there is a limit.
    """
    steps = 0 * (values == values)
    if tolerance.upper is not None:
        accept = tolerance.upper if acceptance.upper is None else acceptance.upper
        for edge in (accept, tolerance.upper, 2 * tolerance.upper - accept):
            steps = steps + 1 - 1 * (values <= edge)
    if tolerance.lower is not None:
        accept = tolerance.lower if acceptance.lower is None else acceptance.lower
        for edge in (accept, tolerance.lower, 2 * tolerance.lower - accept):
            steps = steps + 1 - 1 * (values >= edge)
    return steps


def judge(
    limit: Limit,
    value: Value,
    *,
    expanded_uncertainty: float | None = None,
    coverage_factor: float = 2.0,
    reason: str = "",
    zone: Zone | None = None,
) -> Judgement:
    """Judge one reading.

    Args:
        limit: resolved (`Limit.around`).
        value: in the unit of the limit, or text or boolean; None when the reading could not be taken.
        expanded_uncertainty: U of the reading, in its unit; needed by every rule but ``simple``.
        coverage_factor: k of U.
        reason: why there is no value.
        zone: an acceptance zone found before, instead of the one that the rule gives.

    Raises:
        ValueError: the limit still waits for the value of its reference part.
        TypeError: a number where a text or boolean is expected, or the other way round.
    """
    if not limit.is_resolved:
        raise ValueError(f"{limit.name}: the value of {limit.part} is not known yet; resolve the limit first")
    if value is None:
        return Judgement(value=None, verdict=Verdict.NOT_MEASURED, reason=reason or "not measured")
    if limit.expected is not None:
        return _judge_expected(limit, value)
    if isinstance(value, (bool, str)):
        raise TypeError(f"{limit.name}: a number is limited, but the reading is {value!r}")
    number = float(value)
    if limit.rule.kind == "simple":
        zone = limit.zone
    elif zone is None:
        if expanded_uncertainty is None:
            why = f"the rule {limit.rule.kind} needs the uncertainty of the reading, and there is none"
            return Judgement(value=_recorded(number), verdict=Verdict.UNDECIDED, reason=why)
        from hil.core.guard import acceptance_zone  # late: only limits with a guard band need its numerics

        zone = acceptance_zone(
            limit.lower, limit.upper, expanded_uncertainty, limit.rule, coverage_factor=coverage_factor
        )
    if zone.is_empty:
        why = f"no acceptance zone is left between {show(limit.lower, limit.unit)} and {show(limit.upper, limit.unit)}"
        why += f" with U = {show(expanded_uncertainty, limit.unit, 2)}: the guard bands are wider than the tolerance"
        return Judgement(value=_recorded(number), verdict=Verdict.UNDECIDED, reason=why, zone=zone)
    steps = min(steps_outside(number, limit.zone, zone), 3)
    verdict, statement = decide(steps, limit.rule)
    words = [] if math.isfinite(number) else [f"reads {show(number, limit.unit)}"]
    if verdict is not Verdict.PASS and not math.isnan(number):
        words.append(_outside(limit, number, zone))
    return Judgement(value=_recorded(number), verdict=verdict, reason="; ".join(words), zone=zone, statement=statement)


def decide(steps: int, rule: Rule) -> tuple[Verdict, Statement]:
    """What a rule says of a reading so many steps out (`steps_outside`, 0 to 3)."""
    if rule.binary:
        return (Verdict.PASS, Statement.PASS) if steps == 0 else (Verdict.FAIL, Statement.FAIL)
    conditional = Verdict.UNDECIDED
    if rule.accepts_conditional:
        conditional = Verdict.PASS if steps == 1 else Verdict.FAIL
    return (Verdict.PASS, conditional, conditional, Verdict.FAIL)[steps], STATEMENTS[steps]


def _recorded(number: float) -> float | None:
    return number if math.isfinite(number) else None


def _judge_expected(limit: Limit, value: Value) -> Judgement:
    if isinstance(value, bool) is not isinstance(limit.expected, bool) or not isinstance(value, (bool, str)):
        raise TypeError(f"{limit.name}: {limit.expected!r} is expected, but the reading is {value!r}")
    if value == limit.expected:
        return Judgement(value=value, verdict=Verdict.PASS)
    return Judgement(value=value, verdict=Verdict.FAIL, reason=f"is {_said(value)}, expected {_said(limit.expected)}")


def _said(value: Value) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"'{value}'"


def _outside(limit: Limit, number: float, zone: Zone) -> str:
    below = limit.lower is not None and zone.lower is not None and number < zone.lower
    edge = zone.lower if below else zone.upper
    tolerance = limit.lower if below else limit.upper
    if edge is None or tolerance is None:
        return ""
    digits = 5
    while digits < 12 and show(number, limit.unit, digits) == show(edge, limit.unit, digits):
        digits += 1
    side = "below the lower" if below else "above the upper"
    where = f"{show(number, limit.unit, digits)} is {side} acceptance limit {show(edge, limit.unit, digits)}"
    if edge == tolerance:
        return where.replace("acceptance limit", "limit")
    return f"{where} (limit {show(tolerance, limit.unit, digits)} less the guard band)"


def judge_unit(planned: Sequence[str], readings: Iterable[Reading], *, only: str = "") -> tuple[UnitVerdict, str]:
    """Verdict on a unit and its reason.

    FAIL when any reading failed; PASS when every planned row was judged exactly once and passed and nothing was left
    out by ``only``; else INCOMPLETE with what is missing.
    """
    taken = list(readings)
    failed = [reading.name for reading in taken if reading.verdict is Verdict.FAIL]
    if failed:
        return UnitVerdict.FAIL, f"failed: {_listed(failed)}"
    times = Counter(reading.name for reading in taken if reading.verdict is not Verdict.NOT_MEASURED)
    missing = [name for name in planned if times[name] != 1]
    undecided = [reading.name for reading in taken if reading.verdict is Verdict.UNDECIDED]
    words = []
    if not planned:
        words.append("nothing was planned")
    if missing:
        words.append(f"not measured: {_listed(missing)}")
    if undecided:
        words.append(f"undecided: {_listed(undecided)}")
    if only:
        words.append(f"only '{only}' was asked for")
    return (UnitVerdict.INCOMPLETE, "; ".join(words)) if words else (UnitVerdict.PASS, "")


def _listed(names: Sequence[str], most: int = 6) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def worst_exit(codes: Iterable[int]) -> int:
    """Exit code for several units: the worst in the order 4, 3, 1, 2, 0; 0 for none."""
    found = set(codes)
    return next((code for code in _WORST_FIRST if code in found), 0)
