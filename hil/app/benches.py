"""Readings of the same units on several benches, out of one record (after 'hil records merge'), held together.

Two benches that differ do not say which of them is off. Their check standards do: what a bench reads of the same golden
unit and check parts morning after morning stays, unless the bench has moved (`standards_of`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from hil.app.bench_control import bench_control, golden_of
from hil.app.check_files import read_files
from hil.app.settings import Settings
from hil.app.study import STUDY
from hil.core.baseline import margin_of
from hil.core.benches import Agreement, OneReading, RowOnBenches, compare_benches
from hil.core.check_standard import expected
from hil.core.ledger import Readiness, Rework
from hil.core.limit import Limit
from hil.core.records import Run
from hil.core.units import show
from hil.errors import UsageError
from hil.store.sqlite_store import RecordStore


def agreement_of(
    benches: Sequence[str], store: RecordStore, settings: Settings, *, now: str, units: Sequence[str] = ()
) -> tuple[Agreement, tuple[str, ...]]:
    """Whether benches agree on the units that they share, and the units left out because they were reworked.

    Whole runs of the scope count, and runs of studies; all of them, as repeats.

    Args:
        benches: names as in their bench files; empty: all in the record.
        units: serial numbers; empty: all.

    Raises:
        UsageError: a bench that the record does not know, or no unit in common.
    """
    files = read_files(settings, today=now[:10])
    known = tuple(dict.fromkeys(one.bench for one in store.summaries()))
    for bench in benches:
        if bench not in known:
            raise UsageError(f"{store.database.where}: no run of bench '{bench}'. Benches there: {', '.join(known)}.")
    chosen = tuple(benches) or known
    measured: dict[str, set[str]] = {}
    summaries = [
        one
        for one in store.summaries(board=files.limits.board)
        if one.bench in chosen
        and (not units or one.serial in units)
        and one.is_closed
        and ((one.is_complete and one.scope == files.scope) or STUDY in dict(one.facts))
    ]
    for one in summaries:
        measured.setdefault(one.serial, set()).add(one.bench)
    shared = {serial for serial, where in measured.items() if len(where) > 1}
    reworked = tuple(serial for serial in sorted(shared) if store.entries(Rework, subject=serial))
    shared -= set(reworked)
    runs = [store.run(one.run) for one in summaries if one.serial in shared]
    rows = _rows(runs, chosen, {row.name: row for row in files.rows if row.is_numeric})
    try:
        return compare_benches(rows), reworked
    except ValueError as problem:
        left_out = f" Left out, because they were reworked: {', '.join(reworked)}." if reworked else ""
        raise UsageError(
            f"{store.database.where}: {problem}. Check the same units on both and merge their records.{left_out}"
        ) from None


def _rows(runs: Sequence[Run], benches: Sequence[str], limits: dict[str, Limit]) -> list[RowOnBenches]:
    readings: dict[str, dict[str, dict[str, list[OneReading]]]] = {}
    for run in runs:
        for reading in run.readings:
            if reading.name not in limits or not isinstance(reading.value, float):
                continue
            of_row = readings.setdefault(reading.name, {bench: {} for bench in benches})
            of_row[run.opened.bench].setdefault(run.opened.serial, []).append(
                OneReading(
                    value=reading.value,
                    expanded_uncertainty=reading.expanded_uncertainty,
                    nominal=reading.nominal if reading.parts else None,
                )
            )
    found = []
    for name, of_row in readings.items():
        values = [one.value for own in of_row.values() for group in own.values() for one in group]
        try:
            margin = margin_of(limits[name], sum(values) / len(values)) or None  # 0: a bound at zero says nothing
        except ValueError as problem:
            raise UsageError(f"{problem}.") from None
        row = limits[name]
        found.append(RowOnBenches(name=name, title=row.title, unit=row.unit, margin=margin, readings=of_row))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """What a bench last read of a check standard, against what it had read of it before.

    Args:
        moved: latest reading less the centre of the earlier ones.
        has_moved: it lies where the earlier ones do not let it be, or a rule of its charts has fired.
        earlier: how many readings that rests on.
    """

    bench: str
    name: str
    unit: str
    moved: float
    has_moved: bool
    earlier: int

    def __str__(self) -> str:
        return f"{self.name} {show(self.moved, self.unit, 2)} from its {self.earlier} earlier readings"


def standards_of(bench: str, store: RecordStore) -> tuple[Standard, ...]:
    """The check standards of a bench that were read often enough to say whether it has moved."""
    entries = store.entries(Readiness, subject=bench)
    found = []
    for one in bench_control(store, bench, golden_of(entries[-1])).controls if entries else ():
        before = replace(one.series, points=one.series.points[:-1])
        zone = expected(before)
        if zone is None:
            continue
        latest, baseline = one.series.points[-1].value, [point.value for point in before.baseline]
        found.append(
            Standard(
                bench=bench, name=one.series.name, unit=one.series.unit, moved=latest - sum(baseline) / len(baseline),
                has_moved=latest not in zone or bool(one.stops), earlier=len(baseline),
            )
        )  # fmt: skip
    return tuple(found)


def who_moved(agreement: Agreement, store: RecordStore) -> tuple[str, ...]:
    """For each unit in which two benches differ: which of them is off, as far as their check standards tell."""
    if len(agreement.benches) != 2:
        return ()  # the median of the others tells
    standards = [one for bench in agreement.benches for one in standards_of(bench, store)]
    return tuple(
        f"in {unit}: {_who_moved([one for one in standards if one.unit == unit], agreement.benches, unit)}"
        for unit in dict.fromkeys(pattern.unit for pattern in agreement.patterns if pattern.unit)
    )


def _who_moved(standards: Sequence[Standard], benches: Sequence[str], unit: str) -> str:
    by_bench = {bench: [one for one in standards if one.bench == bench] for bench in benches}
    without = [bench for bench, own in by_bench.items() if not own]
    if without:
        return (
            f"no check standard in {unit} was read on {' and '.join(without)} four times or more; with that, "
            "'hil bench' on both would tell which of them has moved"
        )
    moved = {bench: [one for one in own if one.has_moved] for bench, own in by_bench.items()}
    off = [bench for bench, own in moved.items() if own]
    said = ", ".join(str(one) for bench in off for one in moved[bench])
    if len(off) == 1:
        (stayed,) = (bench for bench in benches if bench not in off)
        return f"{off[0]} is the one that is off: by its check standards it has moved ({said}), and {stayed} has not"
    if off:
        return f"both have moved by their check standards ({'; '.join(off)}: {said})"
    return "by its check standards neither has moved: they have differed from the beginning; calibrate both"
