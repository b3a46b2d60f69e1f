"""The shape of a record as a named, ordered list of steps; each is applied with its note in one transaction.

A step that has been released is never edited: add the next one. A record that holds a step nobody here knows was
written by a newer program and is refused.
"""

from dataclasses import dataclass

from hil.errors import UsageError
from hil.store.database import Database


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: statements with ``{clustered}`` where a table should lie in the order of its key."""

    name: str
    note: str
    statements: tuple[str, ...]


MIGRATIONS = (
    Migration(
        "0001_runs_readings_ledger",
        "runs, their readings and closings, equipment used, files, and the ledger of everything else",
        (
            "CREATE TABLE record_info (name TEXT PRIMARY KEY, value TEXT NOT NULL)",
            """CREATE TABLE runs (
                run_no INTEGER PRIMARY KEY, run TEXT NOT NULL UNIQUE, serial TEXT NOT NULL, board TEXT NOT NULL,
                attempt INTEGER NOT NULL, scope TEXT NOT NULL, only_rows TEXT NOT NULL, lot TEXT NOT NULL,
                operator TEXT NOT NULL, bench TEXT NOT NULL, simulated INTEGER NOT NULL, opened TEXT NOT NULL,
                opened_at DOUBLE PRECISION NOT NULL, limits_revision TEXT NOT NULL, limits_sha256 TEXT NOT NULL,
                suite_version TEXT NOT NULL, more TEXT NOT NULL)""",
            "CREATE INDEX runs_by_serial ON runs (serial, opened_at)",
            "CREATE INDEX runs_by_lot ON runs (lot, opened_at)",
            """CREATE TABLE closings (
                run_no INTEGER PRIMARY KEY REFERENCES runs (run_no), verdict TEXT NOT NULL, reason TEXT NOT NULL,
                closed TEXT NOT NULL, planned INTEGER NOT NULL, judged INTEGER NOT NULL,
                actual_seconds DOUBLE PRECISION NOT NULL, more TEXT NOT NULL)""",
            """CREATE TABLE definitions (
                definition_no INTEGER PRIMARY KEY, name TEXT NOT NULL, title TEXT NOT NULL, unit TEXT NOT NULL,
                check_node TEXT NOT NULL, check_group TEXT NOT NULL, rule TEXT NOT NULL,
                UNIQUE (name, title, unit, check_node, check_group, rule))""",
            """CREATE TABLE readings (
                run_no INTEGER NOT NULL REFERENCES runs (run_no), position INTEGER NOT NULL,
                definition_no INTEGER NOT NULL REFERENCES definitions (definition_no), verdict TEXT NOT NULL,
                value DOUBLE PRECISION, value_json TEXT, lower_limit DOUBLE PRECISION, upper_limit DOUBLE PRECISION,
                accept_lower DOUBLE PRECISION, accept_upper DOUBLE PRECISION, nominal DOUBLE PRECISION,
                expanded_uncertainty DOUBLE PRECISION, seconds DOUBLE PRECISION NOT NULL,
                PRIMARY KEY (run_no, position)){clustered}""",
            """CREATE TABLE details (
                run_no INTEGER NOT NULL, position INTEGER NOT NULL, more TEXT NOT NULL,
                PRIMARY KEY (run_no, position),
                FOREIGN KEY (run_no, position) REFERENCES readings (run_no, position)){clustered}""",
            """CREATE TABLE equipment (
                run_no INTEGER NOT NULL REFERENCES runs (run_no), position INTEGER NOT NULL, kind TEXT NOT NULL,
                name TEXT NOT NULL, identity TEXT NOT NULL, certificate TEXT NOT NULL, due TEXT NOT NULL,
                used INTEGER NOT NULL, more TEXT NOT NULL, PRIMARY KEY (run_no, kind, name))""",
            """CREATE TABLE files (
                run_no INTEGER NOT NULL REFERENCES runs (run_no), path TEXT NOT NULL, sha256 TEXT NOT NULL,
                PRIMARY KEY (run_no, path))""",
            """CREATE TABLE ledger (
                uid TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL, time TEXT NOT NULL,
                time_at DOUBLE PRECISION NOT NULL, author TEXT NOT NULL, more TEXT NOT NULL,
                PRIMARY KEY (kind, uid))""",
            "CREATE INDEX ledger_by_subject ON ledger (kind, subject, time_at)",
        ),
    ),
)


def _applied(database: Database) -> list[str] | None:
    """Names of the steps that a record has, or None when it is new."""
    if database.clustered:
        exists = database.query("SELECT 1 FROM sqlite_master WHERE name = 'migrations'")
    else:
        exists = database.query("SELECT 1 FROM information_schema.tables WHERE table_name = 'migrations'")
    return [row[0] for row in database.query("SELECT name FROM migrations ORDER BY position")] if exists else None


def pending(database: Database, steps: tuple[Migration, ...] = MIGRATIONS) -> tuple[Migration, ...]:
    """Steps that a record still needs.

    Raises:
        UsageError: the record was written by a newer program, or its steps are not a beginning of ours.
    """
    applied = _applied(database) or []
    known = [step.name for step in steps]
    newer = [name for name in applied if name not in known]
    if newer:
        raise UsageError(f"{database.where}: this record is from a newer version of hil (step {newer[0]}). Update hil.")
    if applied != known[: len(applied)]:
        raise UsageError(f"{database.where}: the steps of this record are out of order. Put back a backup.")
    return steps[len(applied) :]


def migrate(database: Database, *, now: str, steps: tuple[Migration, ...] = MIGRATIONS) -> tuple[str, ...]:
    """Bring a record to today's shape; returns the names of the steps that were applied.

    Raises:
        UsageError: the record is from a newer version.
        BenchError: the database is in trouble.
    """
    waiting = pending(database, steps)
    for step in waiting:
        with database.transaction():
            database.execute(
                "CREATE TABLE IF NOT EXISTS migrations"
                " (position INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, note TEXT NOT NULL, applied TEXT NOT NULL)"
            )
            done = {row[0] for row in database.query("SELECT name FROM migrations")}
            if step.name in done:  # another program was quicker
                continue
            for statement in step.statements:
                database.execute(statement.replace("{clustered}", database.clustered))
            database.execute(
                "INSERT INTO migrations (position, name, note, applied) VALUES (?, ?, ?, ?)",
                (len(done) + 1, step.name, step.note, now),
            )
    return tuple(step.name for step in waiting)
