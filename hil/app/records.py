"""Housekeeping of the record: self-check, backup while running, export and import, merging, retention, upgrades."""

import hashlib
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from hil.app.identity import other_board
from hil.core.ledger import CertificateIssued, Removal
from hil.core.record_check import Finding, Severity, check_certificates, check_history, check_run
from hil.errors import BenchError, UsageError
from hil.store.database import SqliteDatabase, connect
from hil.store.exchange import Item, RunWithFiles, export_lines, read_export
from hil.store.migrations import migrate
from hil.store.schema import epoch_s
from hil.store.sqlite_store import RecordStore, open_store
from hil.store.transfer import Merged, content, merge


def examine(store: RecordStore) -> Iterator[Finding]:
    """Everything in a record that contradicts itself, as it is found."""
    yield from _sound(store)
    summaries = store.summaries()
    for summary in summaries:
        try:
            run = store.run(summary.run)
        except BenchError as problem:
            yield Finding(severity=Severity.ERROR, where=summary.run, words=str(problem))
            continue
        yield from check_run(run)
        for words in other_board(store, run):
            yield Finding(severity=Severity.WARNING, where=summary.run, words=words)
    yield from check_history(summaries)
    removed = {one.run for one in store.entries(Removal)}
    known = {one.run for one in summaries}
    yield from check_certificates(store.entries(CertificateIssued), known, removed)


def _sound(store: RecordStore) -> Iterator[Finding]:
    database = store.database
    where = database.where
    if isinstance(database, SqliteDatabase):
        for (said,) in database.query("PRAGMA integrity_check"):
            if said != "ok":
                yield Finding(severity=Severity.ERROR, where=where, words=f"the file is damaged: {said}")
        for row in database.query("PRAGMA foreign_key_check"):
            words = f"a row of {row[0]} belongs to a row of {row[2]} that is not there"
            yield Finding(severity=Severity.ERROR, where=where, words=words)
    gaps = database.query(
        "SELECT run, COUNT(*), MAX(position) FROM readings JOIN runs USING (run_no) GROUP BY run"
        " HAVING MAX(position) + 1 <> COUNT(*)"
    )
    for run, count, last in gaps:
        words = f"{last + 1 - count} of its readings have gone from the record"
        yield Finding(severity=Severity.ERROR, where=str(run), words=words)
    ((lost,),) = database.query(
        "SELECT COUNT(*) FROM readings LEFT JOIN details USING (run_no, position) WHERE details.more IS NULL"
    )
    if lost:
        yield Finding(severity=Severity.ERROR, where=where, words=f"{lost} readings have lost their details")


def backup(where: str, target: Path) -> None:
    """Copy a record while others write to it; the copy is checked before it gets its name.

    Raises:
        UsageError: the target exists, or the record is not a file.
        BenchError: the copy could not be made or is not sound.
    """
    if target.exists():
        raise UsageError(f"{target}: exists. Name a new file for the backup.")
    database = connect(where, read_only=True)
    try:
        if not isinstance(database, SqliteDatabase):
            raise UsageError(f"{database.where}: is backed up with PostgreSQL's own tool, pg_dump.")
        draft = target.with_name(target.name + ".new")
        draft.unlink(missing_ok=True)
        database.backup(draft)
        copy = SqliteDatabase(str(draft), read_only=True)
        try:
            said = copy.query("PRAGMA integrity_check")
        finally:
            copy.close()
        if said != [("ok",)]:
            raise BenchError(f"{draft}: the copy is not sound: {said[0][0]}. Check the disk.")
        draft.replace(target)
    finally:
        database.close()


@contextmanager
def _written(target: Path) -> Iterator[TextIO]:
    """A new text file that gets its name when it is whole and on the disk."""
    if target.exists():
        raise UsageError(f"{target}: exists. Name a new file.")
    draft = target.with_name(target.name + ".new")
    try:
        with draft.open("w", encoding="utf-8", newline="\n") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        draft.replace(target)
    except OSError as problem:
        raise BenchError(f"{target}: cannot be written: {problem.strerror}. Make room, or name another file.") from None


def export(store: RecordStore, target: Path, *, now: str) -> None:
    """Write everything in a record as JSON Lines.

    Raises:
        UsageError: the target exists.
        BenchError: it cannot be written.
    """
    with _written(target) as file:
        for line in export_lines(store.kind() or "", content(store), now=now):
            file.write(line)


@contextmanager
def _opened(source: Path) -> Iterator[Iterable[str]]:
    try:
        with source.open(encoding="utf-8", newline="\n") as file:
            yield file
    except UnicodeDecodeError:
        raise UsageError(f"{source}: not an export of records. 'hil records export' makes one.") from None
    except OSError as problem:
        raise UsageError(f"{source}: cannot be read: {problem.strerror}.") from None


def refuse_other_kind(source: str, *, is_export: bool, simulated: bool) -> None:
    """Before a record is touched: the source can be read, and holds runs of the kind that the record is for.

    Raises:
        UsageError: there is no such source, it is none, or simulated runs would go where real ones are.
    """
    if is_export:
        with _opened(Path(source)) as lines:
            kind, _ = read_export(source, lines)
    else:
        with open_store(source, read_only=True) as other:
            kind = other.kind() or ""
    if kind == "simulated" and not simulated:
        raise UsageError(f"{source}: holds simulated runs. Give --simulated: they go into the record of their kind.")
    if kind == "real" and simulated:
        raise UsageError(f"{source}: holds real runs. Leave --simulated out: they go into the record of their kind.")


def import_export(store: RecordStore, source: Path) -> Merged:
    """Bring an export into a record, all of it or nothing.

    Raises:
        UsageError: not a whole export, or it contradicts the record.
    """
    with _opened(source) as lines:
        kind, items = read_export(str(source), lines)
        return merge(store, kind, items, label=str(source))


def merge_record(store: RecordStore, other: str) -> Merged:
    """Bring another bench's record into this one, all of it or nothing.

    Raises:
        UsageError: the two contradict each other, or are of different kinds.
    """
    with open_store(other, read_only=True) as source:
        return merge(store, source.kind() or "", content(source), label=source.database.where)


def retire(store: RecordStore, *, before: str, archive: Path, by: str, reason: str, now: str) -> tuple[str, ...]:
    """Move runs that were opened before a date into an archive; the ledger keeps what was moved, when and by whom.

    The archive is an export: written, read back and compared before anything leaves the record. Attempts that were
    used up stay used up.

    Raises:
        UsageError: name or reason missing, no such date, or the archive exists.
        BenchError: the archive could not be written or did not read back as it was.
    """
    if not by.strip() or not reason.strip():
        raise UsageError("Moving runs out of the record needs a name and a reason: --by NAME --reason REASON.")
    try:
        last = epoch_s(before)
    except ValueError:
        raise UsageError(f"--before wants a date like 2016-01-01, not '{before}'.") from None
    summaries = [one for one in store.summaries() if one.opened_at < last]
    if not summaries:
        return ()
    with _written(archive) as file:
        moving: Iterable[Item] = (RunWithFiles(run=store.run(one.run), files=store.files(one.run)) for one in summaries)
        for line in export_lines(store.kind() or "", moving, now=now):
            file.write(line)
    with _opened(archive) as lines:
        _, items = read_export(str(archive), lines)
        for one, item in zip(summaries, items, strict=True):
            if not isinstance(item, RunWithFiles) or item.run != store.run(one.run):
                raise BenchError(f"{archive}: run {one.run} did not read back as it is. Nothing was removed.")
    digest = hashlib.sha256(archive.read_bytes()).hexdigest()
    with store.batch():
        for one in summaries:
            removal = Removal(
                uid=one.run, time=now, author=by, serial=one.serial, run=one.run, opened=one.opened, scope=one.scope,
                verdict=one.verdict.value, used_attempt=store.uses_attempt(one.run), reason=reason,
                archive=archive.name, archive_sha256=digest,
            )  # fmt: skip
            store.add(removal)
            store.remove_run(one.run)
    return tuple(one.run for one in summaries)


def upgrade(where: str, *, now: str) -> tuple[str, ...]:
    """Bring a record to today's shape; returns the names of the steps that were needed.

    Raises:
        UsageError: it is from a newer version.
    """
    database = connect(where)
    try:
        return migrate(database, now=now)
    finally:
        database.close()
