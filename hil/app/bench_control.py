"""Control of a bench: its readiness checks as series, what their charts say, and what has to be recalled.

A bench that is out of control stops checks until somebody has written down why (`acknowledge`) and a readiness check
after that was good. What the charts do then depends on what was done: when the cause is gone and the bench is what it
was, the old limits stay; after a repair, with a new check part, the next readings make new ones.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass

from hil.core.check_standard import BASELINE, Control, Point, Series, Stop, control_of
from hil.core.ledger import BenchAcknowledged, CertificateIssued, Readiness
from hil.core.records import RunSummary, Verdict
from hil.errors import UsageError
from hil.store.schema import epoch_s
from hil.store.sqlite_store import RecordStore

GOLDEN = "golden_unit"


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchControl:
    """What the charts of a bench say.

    Args:
        entries: readiness checks of the bench with its present golden unit, in the order of time.
    """

    bench: str
    entries: tuple[Readiness, ...]
    acknowledged: tuple[BenchAcknowledged, ...]
    controls: tuple[Control, ...]

    @property
    def stops(self) -> tuple[Stop, ...]:
        """Rules that fired and were not accounted for, in the order of time."""
        return tuple(sorted((stop for one in self.controls for stop in one.stops), key=lambda one: epoch_s(one.time)))

    @property
    def simulated(self) -> bool:
        """Whether any of it is from the simulated bench."""
        return any(one.simulated for one in self.entries)

    def words(self) -> str:
        """The state in one sentence."""
        if not self.controls:
            return "no check standard was read yet"
        waiting = [one for one in self.controls if not one.series.is_established]
        if self.stops:
            return f"OUT OF CONTROL: {'; '.join(map(str, self.stops))}"
        if waiting:
            fewest = min(len(one.series.baseline) for one in waiting)
            return (
                f"limits of {len(waiting)} of {len(self.controls)} values are not established: {fewest} of "
                f"{BASELINE} readings; until then each is compared with its earlier ones, from 3 on"
            )
        return f"in control, {len(self.controls)} values"


def golden_of(entry: Readiness) -> str:
    """Serial number of the golden unit that an entry rests on."""
    return dict(entry.identities).get(GOLDEN, "")


def bench_control(store: RecordStore, bench: str, golden: str, *, latest: Readiness | None = None) -> BenchControl:
    """What the charts of a bench say; another golden unit starts another history.

    Args:
        latest: a readiness check that is not in the record yet.
    """
    entries = [one for one in store.entries(Readiness, subject=bench) if golden_of(one) == golden]
    if latest is not None:
        entries.append(latest)
    acknowledged = store.entries(BenchAcknowledged, subject=bench)
    controls = tuple(control_of(series) for series in series_of(entries, acknowledged).values())
    return BenchControl(bench=bench, entries=tuple(entries), acknowledged=acknowledged, controls=controls)


def series_of(entries: Sequence[Readiness], acknowledged: Sequence[BenchAcknowledged]) -> dict[str, Series]:
    """The check standards of a bench by name, since the baseline of each was begun."""
    least: dict[str, float] = {}
    units: dict[str, str] = {}
    points: dict[str, list[Point]] = {}
    for entry in entries:
        for one in entry.values:
            if one.least is not None:
                least[one.name], units[one.name] = one.least, one.unit
            if one.value is not None and one.verdict in (Verdict.PASS, Verdict.FAIL):
                good = one.verdict == Verdict.PASS
                points.setdefault(one.name, []).append(Point(time=entry.time, value=one.value, good=good))
    return {
        name: _series(name, units[name], points.get(name, []), least[name], acknowledged) for name in least
    }  # fmt: skip


def _series(
    name: str, unit: str, points: Sequence[Point], least: float, acknowledged: Sequence[BenchAcknowledged]
) -> Series:
    about = [one for one in acknowledged if one.is_about(name)]
    begun = max((epoch_s(one.time) for one in about if one.new_baseline), default=float("-inf"))
    kept = [point for point in points if epoch_s(point.time) > begun]
    restarts = {
        sum(epoch_s(point.time) <= epoch_s(one.time) for point in kept) for one in about if epoch_s(one.time) >= begun
    }
    return Series(name=name, unit=unit, points=tuple(kept), least=least, restarts=tuple(sorted(restarts)))


def acknowledge(
    store: RecordStore,
    control: BenchControl,
    *,
    reason: str,
    author: str,
    now: str,
    new_baseline: bool = False,
    names: Sequence[str] = (),
) -> BenchAcknowledged:
    """Write down why a bench was out of control, or what was changed on it.

    Raises:
        UsageError: no reason or name, a value that is not charted, or nothing to acknowledge.
    """
    known = [one.series.name for one in control.controls]
    if not reason.strip():
        raise UsageError("Say why: what was wrong, or what was changed on the bench.")
    if not author.strip():
        raise UsageError("Say who acknowledges: --operator NAME.")
    unknown = [name for name in names if name not in known]
    if unknown:
        raise UsageError(f"{unknown[0]}: is not charted on bench '{control.bench}'. Charted: {', '.join(known)}.")
    stops = [stop for stop in control.stops if not names or stop.name in names]
    if not stops and not new_baseline:
        raise UsageError(f"bench '{control.bench}': no rule fired, so there is nothing to acknowledge.")
    entry = BenchAcknowledged(
        uid=f"{control.bench}-{now[:19]}-{secrets.token_hex(3)}",
        time=now,
        author=author,
        bench=control.bench,
        reason=reason,
        new_baseline=new_baseline,
        names=tuple(names),
        answers=tuple(map(str, stops)),
    )
    store.add(entry)
    return entry


@dataclass(frozen=True, slots=True, kw_only=True)
class RecalledRun:
    """A run that rests on a bench which may not have been right; `why` says how that is known."""

    run: RunSummary
    certificates: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Recall:
    """The latest time that a bench was not ready, and the runs it puts in doubt.

    Args:
        found: time of the first readiness check that failed.
        last_good: time of the last good one before, "" when there was none.
        began: where the charts put the beginning, "" when no rule fired.
        ended: time of the first good readiness check after, "" while there is none.
    """

    bench: str
    reason: str
    found: str
    last_good: str
    began: str
    ended: str
    runs: tuple[RecalledRun, ...]

    @property
    def units(self) -> tuple[str, ...]:
        """Serial numbers, each once."""
        return tuple(dict.fromkeys(one.run.serial for one in self.runs))


SINCE_GOOD, SINCE_BEGINNING = "since the last good readiness check", "since the change began, by the charts"


def recall(store: RecordStore, control: BenchControl) -> Recall | None:
    """What the latest not-ready state of a bench puts in doubt; None when every readiness check was good."""
    entries = store.entries(Readiness, subject=control.bench)
    last = next((place for place in reversed(range(len(entries))) if not entries[place].ready), None)
    if last is None:
        return None
    first = last
    while first and not entries[first - 1].ready:
        first -= 1
    found = entries[first].time
    last_good = entries[first - 1].time if first else ""
    ended = entries[last + 1].time if last + 1 < len(entries) else ""
    span = (epoch_s(found), epoch_s(entries[last].time))
    stops = [stop for one in control.controls for stop in (*one.stops, *one.past)]
    of_then = [stop.since for stop in stops if span[0] <= epoch_s(stop.time) <= span[1]]
    began = min(of_then, key=epoch_s, default="")
    good_from = epoch_s(last_good) if last_good else float("-inf")
    until = epoch_s(ended) if ended else float("inf")
    certificates: dict[str, list[str]] = {}
    for one in store.entries(CertificateIssued):
        certificates.setdefault(one.run, []).append(one.uid)
    runs = []
    for run in store.summaries(bench=control.bench):
        rests_on = epoch_s(run.readiness) if run.readiness else run.opened_at
        if good_from <= rests_on < until:
            why = SINCE_GOOD
        elif began and epoch_s(began) <= rests_on < until:
            why = SINCE_BEGINNING
        else:
            continue
        runs.append(RecalledRun(run=run, certificates=tuple(certificates.get(run.run, ())), why=why))
    return Recall(
        bench=control.bench, reason=entries[first].reason, found=found, last_good=last_good, began=began, ended=ended,
        runs=tuple(runs),
    )  # fmt: skip
