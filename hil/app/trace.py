"""Reverse traceability: which units and certificates rest on a reference part or an instrument.

Asked when a part comes back from calibration and has moved, or an instrument turns out to be wrong: everything that
was judged with it since then has to be looked at again.
"""

from dataclasses import dataclass

from hil.core.ledger import CertificateIssued
from hil.core.records import RunSummary
from hil.errors import UsageError
from hil.store.sqlite_store import RecordStore


@dataclass(frozen=True, slots=True, kw_only=True)
class Resting:
    """A run that used the part or instrument.

    Args:
        equipment: which it was, with identity and certificate at the time.
        readings: names of the readings that rest on it, when they were asked for.
        stands: whether this run speaks for the unit today.
        certificates: certificates that were issued for the run.
    """

    run: RunSummary
    equipment: str
    readings: tuple[str, ...]
    stands: bool
    certificates: tuple[CertificateIssued, ...] = ()


def trace(
    store: RecordStore, what: str, *, since: str | None = None, until: str | None = None, with_readings: bool = False
) -> tuple[Resting, ...]:
    """Runs with at least one reading that rests on a part or instrument, in the order of time.

    Args:
        what: name of a reference part, role of an instrument, a certificate number, or part of an instrument's
            identity (such as its serial number).
        since: ISO date or time; runs opened from then on.
        until: ISO date or time; runs opened before.
        with_readings: name the readings too, which reads every run in full.

    Raises:
        UsageError: nothing of that name is in the record, or a date that is none.
    """
    try:
        found = store.resting_on(what, since=since, until=until)
    except ValueError:
        raise UsageError(f"--since and --until want dates like 2026-02-10, not '{since or until}'.") from None
    if not found and not store.knows_equipment(what):
        known = ", ".join(store.equipment_names()) or "nothing yet"
        raise UsageError(f"'{what}' is no part, instrument or certificate in this record. In it: {known}.")
    issued: dict[str, list[CertificateIssued]] = {}
    for certificate in store.entries(CertificateIssued):
        issued.setdefault(certificate.run, []).append(certificate)
    standing = {(run.serial, run.scope): run.run for run in store.summaries() if run.is_complete}  # the latest wins
    return tuple(
        Resting(
            run=run,
            equipment=words,
            readings=_readings(store, run.run, kind, name) if with_readings else (),
            stands=standing.get((run.serial, run.scope)) == run.run,
            certificates=tuple(issued.get(run.run, ())),
        )
        for run, kind, name, words in found
    )


def _readings(store: RecordStore, run: str, kind: str, name: str) -> tuple[str, ...]:
    readings = store.run(run).readings
    return tuple(one.name for one in readings if name in (one.parts if kind == "part" else one.instruments))
