"""Readings of the same units on several benches, out of one record (after 'hil records merge'), held together."""

from collections.abc import Sequence

from hil.app.check_unit import read_files
from hil.app.settings import Settings
from hil.app.study import STUDY
from hil.core.baseline import margin_of
from hil.core.benches import Agreement, OneReading, RowOnBenches, compare_benches
from hil.core.ledger import Rework
from hil.core.limit import Limit
from hil.core.records import Run
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
