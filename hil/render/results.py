"""Readings as results of a certificate: rounded texts beside the numbers, in groups, with as found and as left."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from hil.core.records import PartUsed, Reading, Run, Value, Verdict
from hil.render.numbers import Scale, rounded, scale_for, short, signed

AS_FOUND, AS_LEFT = ".as_found", ".as_left"
ERROR_QUANTITIES = {"F": "capacitance", "H": "inductance"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One reading on a certificate: numbers in unprefixed units, texts in ``shown_unit``."""

    name: str
    title: str
    group: str
    stage: str  # "as found", "as left" or ""
    value: Value
    unit: str
    reference: float | None
    lower: float | None
    upper: float | None
    accept_lower: float | None
    accept_upper: float | None
    expected: Value
    expanded_uncertainty: float | None
    coverage_factor: float | None
    effective_dof: float | None
    rule: str
    verdict: Verdict
    statement: str
    reason: str
    hand_read: bool
    simulated: bool
    time: str
    shown_title: str
    shown_value: str
    shown_reference: str
    shown_error: str
    shown_limits: str
    shown_uncertainty: str
    shown_unit: str
    shown_k: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Results that belong together, in the order they were taken."""

    name: str
    title: str
    results: tuple[Result, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """What was found and what was left around one adjustment (ISO/IEC 17025:2017 7.8.4.1 d)."""

    title: str
    as_found: Result
    as_left: Result | None

    @property
    def is_found(self) -> bool:
        """Whether it came so far that something may have been adjusted."""
        return self.as_found.verdict is not Verdict.NOT_MEASURED

    @property
    def is_left(self) -> bool:
        """Whether there is a result after it."""
        return self.as_left is not None and self.as_left.verdict is not Verdict.NOT_MEASURED


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading of a reference part; error, uncertainty and acceptance zone as shares of the limit."""

    name: str
    quantity: str  # capacitance or inductance
    parts: tuple[str, ...]
    reference: float  # F or H
    share: float
    uncertainty_share: float
    accept_lower_share: float
    accept_upper_share: float
    verdict: Verdict


def results_of(run: Run) -> tuple[Result, ...]:
    """Every reading of a run, and every planned one that was never reached, as results."""
    return tuple(map(result_of, run.every_reading))


@lru_cache(maxsize=1024)  # page, certificate and data show the same readings
def result_of(reading: Reading) -> Result:
    """One reading as a result."""
    scale = _scale(reading)
    value, uncertainty, error = _said(reading), "", ""
    if _is_number(reading.value):
        number, u = float(reading.value), reading.expanded_uncertainty or None  # type: ignore[arg-type]
        value, uncertainty = rounded(number, u, scale, beside=_beside(reading))
        if u is None and reading.unit == "" and number.is_integer():
            value = short(number, scale.exponent)  # a count: nothing stands behind its point
        if reading.nominal is not None:
            error = signed(rounded(number - reading.nominal, u, scale, beside=_beside(reading))[0])
    factor = reading.coverage_factor
    title = reading.title or reading.name
    stage = "as found" if reading.name.endswith(AS_FOUND) else "as left" if reading.name.endswith(AS_LEFT) else ""
    return Result(
        name=reading.name,
        title=title,
        group=reading.group,
        stage=stage,
        value=reading.value,
        unit=reading.unit,
        reference=reading.nominal,
        lower=reading.lower,
        upper=reading.upper,
        accept_lower=reading.accept_lower,
        accept_upper=reading.accept_upper,
        expected=reading.expected,
        expanded_uncertainty=reading.expanded_uncertainty,
        coverage_factor=factor,
        effective_dof=reading.effective_dof,
        rule=reading.rule,
        verdict=reading.verdict,
        statement=reading.statement.value,
        reason=reading.reason,
        hand_read=reading.hand_read,
        simulated=reading.simulated,
        time=reading.time,
        shown_title=_printed_title(title, stage, reading),
        shown_value=value,
        shown_reference="" if reading.nominal is None else short(reading.nominal, scale.exponent),
        shown_error=error,
        shown_limits=_limits(reading, scale.exponent),
        shown_uncertainty=uncertainty,
        shown_unit=scale.unit,
        shown_k="" if factor is None else f"{factor:.2f}",
    )


def _printed_title(title: str, stage: str, reading: Reading) -> str:
    """The title with what has to stand beside it."""
    is_said = stage in title or title == reading.name
    return f"{title}{'' if is_said else f', {stage}'}{' (by hand)' if reading.hand_read else ''}"


def _is_number(value: Value) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _scale(reading: Reading) -> Scale:
    """One scale a row: that of the reference, else of the larger limit, else of the value."""
    like = reading.nominal or _beside(reading) or reading.value
    found = [abs(x) for x in (reading.value, reading.expanded_uncertainty) if _is_number(x)]  # type: ignore[arg-type]
    if not _is_number(like):
        return Scale(exponent=0, unit="")
    scale = scale_for(float(like), reading.unit)  # type: ignore[arg-type]
    if found and reading.unit and scale.exponent > 0 and max(found) < abs(like) / 1000:  # type: ignore[arg-type]
        # A hundredth of a hertz is not read in kilohertz; but no limit of 510 ohm is read in milliohm.
        return scale_for(abs(like) / 1000, reading.unit)  # type: ignore[arg-type]
    return scale


def _beside(reading: Reading) -> float:
    """The larger of the limits, 0 without any."""
    return max((abs(limit) for limit in (reading.lower, reading.upper) if limit is not None), default=0.0)


def _said(reading: Reading) -> str:
    """A value that is no number: a text, yes or no, or why there is none."""
    if isinstance(reading.value, bool):
        return "yes" if reading.value else "no"
    if isinstance(reading.value, str):
        return reading.value
    if reading.verdict is Verdict.NOT_MEASURED:
        return "not measured"
    first = reading.reason.partition(";")[0]
    return first.removeprefix("reads ") if first.startswith("reads ") else "no value"


def _limits(reading: Reading, exponent: int) -> str:
    lower, upper = reading.lower, reading.upper
    if reading.expected is not None:
        return ("yes" if reading.expected else "no") if isinstance(reading.expected, bool) else str(reading.expected)
    if lower is not None and upper is not None:
        if lower == upper:
            return short(lower, exponent)
        if lower == -upper:
            return f"± {short(upper, exponent)}"
        return f"{short(lower, exponent)} … {short(upper, exponent)}"
    if lower is not None:
        return f"≥ {short(lower, exponent)}"
    return f"≤ {short(upper, exponent)}" if upper is not None else ""


def groups(results: Sequence[Result], titles: Mapping[str, str]) -> tuple[Group, ...]:
    """Results by group, groups in the order of their first result."""
    order: dict[str, list[Result]] = {}
    for result in results:
        order.setdefault(result.group, []).append(result)
    return tuple(
        Group(name=name, title=_title(name, titles), results=tuple(members)) for name, members in order.items()
    )


def _title(group: str, titles: Mapping[str, str]) -> str:
    """Modules are numbered for their order; a title is given by the name without the number."""
    bare = group.lstrip("0123456789").lstrip("_")
    return titles.get(bare, bare.replace("_", " ").capitalize() or "Never reached")


def adjustments(results: Sequence[Result]) -> tuple[Adjustment, ...]:
    """Results as found, each with the one as left (``x.as_left``, else ``x``) when there is one."""
    by_name = {result.name: result for result in results}
    found = []
    for result in results:
        if result.name.endswith(AS_FOUND):
            base = result.name.removesuffix(AS_FOUND)
            left = by_name.get(base + AS_LEFT) or by_name.get(base)
            found.append(Adjustment(title=_without_stage(result.title), as_found=result, as_left=left))
    return tuple(found)


def _without_stage(title: str) -> str:
    return title.removesuffix(" as found").rstrip(" ,:")


def points(run: Run) -> tuple[Point, ...]:
    """Errors of the readings of reference parts over both ranges, as shares of their limits; no adjustment is one."""
    known = {part.name: part for part in run.opened.parts}
    adjusted = {reading.name.removesuffix(AS_FOUND) for reading in run.readings if reading.name.endswith(AS_FOUND)}
    found = []
    for reading in run.readings:
        quantity, value, nominal = ERROR_QUANTITIES.get(reading.unit), reading.value, reading.nominal
        lower, upper = reading.lower, reading.upper
        if quantity is None or lower is None or upper is None or nominal is None or not lower < nominal < upper:
            continue
        parts = [known[name] for name in reading.parts if name in known]
        if not any(_is_reading_of(part, reading.unit, nominal) for part in parts):
            continue
        if reading.name.removesuffix(AS_FOUND).removesuffix(AS_LEFT) in adjusted:
            continue
        if not _is_number(value) or not math.isfinite(float(value)):  # type: ignore[arg-type]
            continue
        half = (upper - lower) / 2
        share = [
            (x - nominal) / half
            for x in (
                float(value),  # type: ignore[arg-type]
                lower if reading.accept_lower is None else reading.accept_lower,
                upper if reading.accept_upper is None else reading.accept_upper,
            )
        ]
        found.append(
            Point(
                name=reading.name,
                quantity=quantity,
                parts=tuple(part.name for part in parts),
                reference=nominal,
                share=share[0],
                uncertainty_share=(reading.expanded_uncertainty or 0.0) / half,
                accept_lower_share=share[1],
                accept_upper_share=share[2],
                verdict=reading.verdict,
            )
        )
    return tuple(found)


def _is_reading_of(part: PartUsed, unit: str, nominal: float) -> bool:
    """Whether a row compares with the value of a part itself; apparent inductance may lie some per cent beside it."""
    return part.unit == unit and abs(nominal - part.value) <= 0.2 * abs(part.value)
