"""Readiness of the bench in the record: checked, stored, and demanded before a real bench checks units."""

import secrets
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from hil.app.bench_check import NOT_ON_THIS_BENCH, Watcher, measure
from hil.app.bench_control import GOLDEN, bench_control, recall
from hil.app.open_bench import Bench
from hil.core.equipment import Kit
from hil.core.ledger import Readiness, ReadinessValue
from hil.core.records import Verdict
from hil.errors import BenchError, InstrumentError, UnitError
from hil.files.bench import BenchFile
from hil.store.sqlite_store import RecordStore


def check_bench(
    spec: BenchFile,
    kit: Kit,
    bench: Bench,
    store: RecordStore,
    *,
    now: str,
    author: str,
    seen: Watcher,
    faults: Sequence[str] = (),
) -> Readiness:
    """Check an open bench and record what came of it, trouble included.

    Args:
        now: present time, ISO 8601.
        author: who is at the bench.
        faults: of a simulated bench, from the moment the golden unit is in the jig.
    """
    identities = (
        *((one.role, one.identity) for one in bench.identities),
        *(((GOLDEN, spec.jig.golden_unit),) if spec.jig.golden_unit else ()),
    )
    before = bench_control(store, spec.bench, spec.jig.golden_unit)
    values: list[ReadinessValue] = []
    trouble = ""
    try:
        measure(
            spec, kit, bench, earlier={one.series.name: one.series for one in before.controls},
            attempt=len(before.entries) + 1, seen=seen, values=values, faults=faults,
        )  # fmt: skip
    except (BenchError, UnitError) as problem:
        trouble = str(problem)
    reason = trouble or next((f"{one.name}: {one.reason}" for one in values if not _is_fine(one)), "")
    entry = Readiness(
        uid=f"{spec.bench}-{now[:19]}-{secrets.token_hex(3)}",
        time=now,
        author=author,
        bench=spec.bench,
        ready=not reason,
        simulated=bench.simulated,
        reason=reason,
        values=tuple(values),
        identities=identities,
    )
    stops = bench_control(store, spec.bench, spec.jig.golden_unit, latest=entry).stops
    if stops:
        fired = f"out of control: {'; '.join(map(str, stops))}."
        entry = replace(entry, ready=False, reason=f"{reason} {fired}".strip())
    store.add(entry)
    return entry


def _is_fine(value: ReadinessValue) -> bool:
    left_out = value.verdict == Verdict.NOT_MEASURED and value.reason.startswith(NOT_ON_THIS_BENCH)
    return value.verdict == Verdict.PASS or left_out


def latest(spec: BenchFile, store: RecordStore) -> Readiness | None:
    """The latest readiness check of a bench."""
    entries = store.entries(Readiness, subject=spec.bench)
    return entries[-1] if entries else None


def refuse_unready(spec: BenchFile, store: RecordStore, *, now: str) -> Readiness:
    """A real bench checks units only while its readiness check is recent and good.

    Args:
        now: present time, ISO 8601.

    Raises:
        BenchError: there is none, it is too old, or the bench was not ready.
    """
    entry, again = latest(spec, store), f"Run 'hil bench --bench {spec.file}' first."
    refuse_out_of_control(spec, store)
    if entry is None:
        raise BenchError(f"bench '{spec.bench}': was never checked for readiness. {again}")
    if not entry.ready:
        raise BenchError(f"bench '{spec.bench}': was not ready at {entry.time[:16]}: {entry.reason} {again}")
    age = datetime.fromisoformat(now) - datetime.fromisoformat(entry.time)
    if age > timedelta(hours=spec.readiness_hours):
        hours = age.total_seconds() / 3600
        raise BenchError(
            f"bench '{spec.bench}': its readiness check is {hours:.1f} h old, {spec.readiness_hours:g} h are allowed "
            f"(readiness_hours in {spec.file}). {again}"
        )
    return entry


def refuse_out_of_control(spec: BenchFile, store: RecordStore) -> None:
    """A bench whose check standards are not what they were checks no units until somebody has said why.

    Raises:
        BenchError: a rule fired and was not acknowledged; says which, since when, and how many units are in doubt.
    """
    control = bench_control(store, spec.bench, spec.jig.golden_unit)
    if not control.stops:
        return
    doubtful, given = recall(store, control), f"--bench {spec.file}"
    since = (
        f" since the last good readiness check of {doubtful.last_good[:16]}" if doubtful and doubtful.last_good else ""
    )
    count = len(doubtful.units) if doubtful else 0
    units = f"{count} unit{'' if count == 1 else 's'} {'was' if count == 1 else 'were'} checked{since}"
    raise BenchError(
        f"bench '{spec.bench}' is out of control: {'; '.join(map(str, control.stops))}. {units}: 'hil bench {given} "
        f"--recall' lists them, '--charts' shows why. Find the cause, then 'hil bench {given} --acknowledge REASON' "
        f"(or --new-baseline REASON after a repair) and 'hil bench {given}'."
    )


def refuse_changed(entry: Readiness, bench: Bench) -> None:
    """What answers now must be what answered at the readiness check.

    Raises:
        InstrumentError: an instrument has been replaced since.
    """
    then = dict(entry.identities)
    for one in bench.identities:
        if then.get(one.role) != one.identity:
            raise InstrumentError(
                one.role,
                one.address,
                f"is '{one.identity}', but '{then.get(one.role, 'nothing')}' at the readiness check. Run 'hil bench'.",
            )
