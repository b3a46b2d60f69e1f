"""Readings of one firmware on some units, ready to be compared: gathered from runs, kept under a name, held against
another set only when the two can be compared.

A set is tied to firmware version, board revision and limits revision. Rows that an adjustment sets have the margin
"none" in the limits file: what the firmware did is seen in the reading before the adjustment ("as found").
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from hil.core.compare import (
    Comparison,
    Finding,
    Groups,
    Kind,
    Shift,
    against_chance,
    compare_spread,
    compare_texts,
    compare_values,
    granularity,
)
from hil.core.limit import Limit
from hil.core.records import Reading, Run, Value, Verdict
from hil.core.units import parse_quantity

FORMAT = 1
DEFAULT_SHARE = 0.1  # of half the tolerance; of the limit itself where there is only one
NOT_JUDGED = "none"
SPREAD_SHARE = 0.125  # of the margin: a smaller spread is taken as that much
_FLOOR_ROW = "resolution"


@dataclass(frozen=True, slots=True, kw_only=True)
class Firmware:
    """What was measured: `sha256`, `flash_bytes`, `ram_bytes` are known when its ELF was run."""

    source: str
    version: str = ""
    sha256: str = ""
    flash_bytes: int | None = None
    ram_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One row over all units: repeats by serial number.

    Args:
        margin: in the row's unit; None: not judged; 0.0: must be equal.
        floor: smallest standard deviation of a single reading, from its resolution.
    """

    name: str
    title: str = ""
    unit: str = ""
    margin: float | None = None
    floor: float = 0.0
    values: Mapping[str, tuple[Value, ...]] = field(default_factory=dict)
    verdicts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSet:
    """Readings of one firmware."""

    firmware: Firmware
    board: str
    board_revision: str
    limits: str
    limits_revision: str
    limits_sha256: str
    scope: str
    bench: str
    simulated: bool
    seed: int | None
    serials: tuple[str, ...]
    repeats: int
    made: str
    suite_version: str
    series: tuple[Series, ...]

    def as_json(self) -> dict[str, Any]:
        """A dictionary for JSON."""
        return {"format": FORMAT, **asdict(self)}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "RunSet":
        """What `as_json` made.

        Raises:
            ValueError: another format, or something is missing.
        """
        if data.get("format") != FORMAT:
            raise ValueError(f"format {data.get('format')!r}, but this version reads {FORMAT}")
        fields = {name: value for name, value in data.items() if name != "format"}
        try:
            fields["firmware"] = Firmware(**fields["firmware"])
            fields["serials"] = tuple(fields["serials"])
            fields["series"] = tuple(_series_from_json(one) for one in fields["series"])
            return cls(**fields)
        except (KeyError, TypeError) as problem:
            raise ValueError(f"not a kept set of readings ({problem})") from problem


def _series_from_json(data: Mapping[str, Any]) -> Series:
    fields: dict[str, Any] = dict(data)
    for name in ("values", "verdicts"):
        fields[name] = {serial: tuple(group) for serial, group in data[name].items()}
    return Series(**fields)


def margin_of(limit: Limit, level: float | None) -> float | None:
    """How far a reading may move, in its unit; None: not judged; 0.0: not at all.

    From the row's ``margin``: a sum of ratios of the nominal (or, without one, of `level`) and quantities, as in
    "0.1 % + 0.3 pF"; "8 ppm" alone for a row that is a ratio itself; "none". Without it, `DEFAULT_SHARE` of half the
    tolerance, or of the limit where there is only one.

    Raises:
        ValueError: a text that is none of these.
    """
    if limit.margin is None:
        if limit.lower is not None and limit.upper is not None:
            return DEFAULT_SHARE * (limit.upper - limit.lower) / 2
        bound = limit.upper if limit.upper is not None else limit.lower
        return DEFAULT_SHARE * abs(bound) if bound is not None else 0.0
    if limit.margin.strip() == NOT_JUDGED:
        return None
    total = 0.0
    for part in limit.margin.split("+"):
        value, unit = parse_quantity(part)
        if unit == limit.unit:
            total += value
        elif unit == "":
            around = limit.nominal if limit.nominal is not None else level
            if around is None:
                raise ValueError(f"{limit.name}: margin '{limit.margin}' is a ratio, but the row has no nominal value")
            total += value * abs(around)
        else:
            raise ValueError(f"{limit.name}: margin '{limit.margin}' is in {unit}, the row in {limit.unit or 'ratios'}")
    if not (math.isfinite(total) and total > 0):
        raise ValueError(f"{limit.name}: margin '{limit.margin}' must be above zero")
    return total


def gather(runs: Sequence[Run], limits: Mapping[str, Limit]) -> tuple[Series, ...]:
    """One series a row, in the order of the runs; repeats of a unit in the order of its runs.

    Args:
        limits: rows by name, for the margins; a row that is no longer limited is not compared.

    Raises:
        ValueError: a margin that cannot be read.
    """
    names = dict.fromkeys(reading.name for run in runs for reading in run.readings)
    return tuple(_series(name, runs, limits[name]) for name in names if name in limits)


def _series(name: str, runs: Sequence[Run], limit: Limit) -> Series:
    values: dict[str, list[Value]] = {}
    verdicts: dict[str, list[str]] = {}
    floor, title, numbers = 0.0, limit.title, []
    for run in runs:
        for reading in run.readings:
            if reading.name != name:
                continue
            values.setdefault(run.opened.serial, []).append(_value(reading))
            verdicts.setdefault(run.opened.serial, []).append(str(reading.verdict))
            floor = max(floor, _resolution(reading))
            if isinstance(reading.value, float):
                numbers.append(reading.value)
    level = math.fsum(numbers) / len(numbers) if numbers else None
    return Series(
        name=name,
        title=title,
        unit=limit.unit,
        margin=margin_of(limit, level) if limit.is_numeric else 0.0,
        floor=floor,
        values={serial: tuple(group) for serial, group in values.items()},
        verdicts={serial: tuple(group) for serial, group in verdicts.items()},
    )


def _value(reading: Reading) -> Value:
    value = reading.value
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _resolution(reading: Reading) -> float:
    """Standard uncertainty that the resolution brings, where the reading has a budget."""
    return max((row.contribution for row in reading.budget if _FLOOR_ROW in row.name), default=0.0)


# ---- comparing two sets


def refusal(baseline: RunSet, candidate: RunSet) -> str:
    """Why the two cannot be compared; "" when they can."""
    for what, before, after in (
        ("board", baseline.board, candidate.board),
        ("board revision", baseline.board_revision, candidate.board_revision),
        ("limits revision", baseline.limits_revision, candidate.limits_revision),
        ("limits file", baseline.limits_sha256, candidate.limits_sha256),
        ("scope", baseline.scope, candidate.scope),
        ("bench", baseline.bench, candidate.bench),
    ):
        if before != after:
            if what == "limits file":
                return (
                    f"the limits file has changed without a new revision ({baseline.limits}); "
                    "measure the baseline again, or give the limits a new revision"
                )
            return (
                f"the baseline is of {what} {before or 'unknown'}, the candidate of {after or 'unknown'}: what differs "
                "would not be the firmware alone"
            )
    if baseline.simulated != candidate.simulated:
        return "one of the two is simulated and the other is not"
    if baseline.seed != candidate.seed:
        return (
            f"the simulated benches differ (seed {baseline.seed} and {candidate.seed}): their errors would not cancel; "
            "use the same --seed"
        )
    if not set(baseline.serials) & set(candidate.serials):
        return (
            f"no unit is in both: the baseline has {', '.join(baseline.serials) or 'none'}, "
            f"the candidate {', '.join(candidate.serials) or 'none'}"
        )
    return ""


def compare_sets(baseline: RunSet, candidate: RunSet) -> Comparison:
    """Compare all rows of two sets that can be compared (`refusal`); margins are those of the baseline."""
    after = {series.name: series for series in candidate.series}
    common = set(baseline.serials) & set(candidate.serials)
    shifts: list[Shift] = []
    for before in baseline.series:
        other = after.pop(before.name, Series(name=before.name))
        shifts += _compare_series(before, other, common)
    for name in after:
        shifts.append(Shift(name=name, finding=Finding.CANNOT_TELL, reason="the baseline has no such row"))
    return against_chance([*shifts, *_sizes(baseline.firmware, candidate.firmware)])


def _compare_series(before: Series, after: Series, common: set[str]) -> Iterable[Shift]:
    sides = [{s: one.values.get(s, ()) for s in before.values if s in common} for one in (before, after)]
    is_numeric = all(
        isinstance(v, float | int | None) and not isinstance(v, bool) for g in sides[0].values() for v in g
    )
    failing = _newly_failing(before, after, common)
    if failing:
        yield _turned(before, after, failing, common)
    if not is_numeric or before.margin == 0.0:
        yield compare_texts(before.name, sides[0], {s: group or (None,) for s, group in sides[1].items()})
    else:
        yield from _compare_numbers(before, [_numbers(side) for side in sides])


def _newly_failing(before: Series, after: Series, common: set[str]) -> tuple[str, ...]:
    """Units on which every repeat passed before and every repeat fails now."""
    return tuple(
        serial
        for serial in before.verdicts
        if serial in common
        and set(before.verdicts[serial]) == {Verdict.PASS.value}
        and set(after.verdicts.get(serial, ())) == {Verdict.FAIL.value}
    )


def _turned(before: Series, after: Series, failing: Sequence[str], common: set[str]) -> Shift:
    """A verdict that turned from pass to fail. Units are the sample: on one of several it may be chance."""
    shift = Shift(
        name=f"{before.name}: verdict", kind=Kind.TEXT, finding=Finding.CHANGED, baseline="pass", candidate="fail",
        p_value=0.0, unit_count=len(common), reason=f"fails its limit on {', '.join(failing)}",
    )  # fmt: skip
    repeats = min(len(side.verdicts[serial]) for side in (before, after) for serial in failing)
    if len(failing) > 1 or (len(common) == 1 and repeats > 1):
        return shift
    more = "units" if len(common) > 1 else "repeats"
    reason = f"{shift.reason} alone: more {more} tell whether by chance"
    return replace(shift, finding=Finding.CANNOT_TELL, p_value=1.0, reason=reason)


def _compare_numbers(before: Series, sides: list[dict[str, list[float]]]) -> Iterable[Shift]:
    floor = max(before.floor, _step(*sides))
    kind = Kind.TIME if before.unit == "s" else Kind.VALUE
    yield compare_values(
        before.name, sides[0], sides[1], margin=before.margin, unit=before.unit, floor=floor, kind=kind
    )
    if before.margin is not None:
        # A spread that is small against the margin does not matter, however much it changed.
        floor = max(floor, SPREAD_SHARE * before.margin)
        spread = compare_spread(f"{before.name}: spread", sides[0], sides[1], unit=before.unit, floor=floor)
        if spread is not None:
            yield spread


def _numbers(side: Mapping[str, Sequence[Value]]) -> dict[str, list[float]]:
    return {
        s: [float(v) for v in group if isinstance(v, float | int) and not isinstance(v, bool)]
        for s, group in side.items()
    }


def _step(*sides: Groups) -> float:
    return granularity(*sides) / math.sqrt(12)


def _sizes(before: Firmware, after: Firmware) -> Iterable[Shift]:
    for name in ("flash", "ram"):
        sizes = [getattr(one, f"{name}_bytes") for one in (before, after)]
        if None not in sizes:
            yield Shift(
                name=f"{name} size", kind=Kind.SIZE, unit="B", finding=Finding.SAME, baseline=float(sizes[0]),
                candidate=float(sizes[1]), reason="reported, not judged",
            )  # fmt: skip
