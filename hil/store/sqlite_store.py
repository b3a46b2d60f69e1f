"""The record of runs: `hil.ports.Store`, and what lot figures, certificates and readiness ask of it.

    store = open_store("hil-out/records.sqlite")
    store.open_run(opened); store.append(run, reading); store.close_run(closed)

Each call is durable before it returns. A run without a closing was interrupted and says so for ever. Real and
simulated runs never share a record: the first run decides which kind a record is of.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from types import TracebackType

from hil.core.ledger import Entry
from hil.core.records import Reading, RunClosed, RunOpened
from hil.errors import BenchError, UsageError
from hil.store import schema
from hil.store.database import Database, connect
from hil.store.migrations import migrate, pending
from hil.store.queries import Queries


def _wall_time() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class RecordStore(Queries):
    """A record in a database; opening it brings its shape up to date.

    Args:
        database: where it lies.
        read_only: nothing is written, not even a step to today's shape.
        now: time for the notes of migrations.

    Raises:
        UsageError: the record is from a newer version of the program.
        BenchError: the database is in trouble.
    """

    def __init__(self, database: Database, *, read_only: bool = False, now: Callable[[], str] = _wall_time) -> None:
        self.database: Database = database
        self._definitions: dict[tuple[str, ...], int] = {}
        self._open: dict[str, _OpenRun] = {}
        try:
            if read_only:
                if pending(database):
                    raise UsageError(
                        f"{database.where}: this record is of an older shape. Run 'hil records upgrade' first."
                    )
            else:
                migrate(database, now=now())
        except BaseException:
            database.close()
            raise

    def __enter__(self) -> "RecordStore":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the record free; open runs stay open and read as interrupted."""
        self.database.close()

    @contextmanager
    def batch(self) -> Iterator[None]:
        """Write much at once: all of it or nothing, durable only at the end of the block. Not for measuring."""
        try:
            with self.database.transaction():
                yield
        except BaseException:
            self._definitions.clear()
            self._open.clear()
            raise

    # Writing runs
    def open_run(self, opened: RunOpened) -> None:
        """Record everything known before the unit is touched.

        Raises:
            UsageError: a simulated run in a record of real ones, or the other way round.
            BenchError: not recorded.
        """
        kind = "simulated" if opened.simulated else "real"
        row = schema.opened_row(opened)
        with self.database.transaction():
            self.database.execute(
                "INSERT INTO record_info (name, value) VALUES ('kind', ?) ON CONFLICT DO NOTHING", (kind,)
            )
            (found,) = self.database.query("SELECT value FROM record_info WHERE name = 'kind'")
            if found[0] != kind:
                raise UsageError(f"{self.database.where}: holds {found[0]} runs, and this one is {kind}. Use another.")
            if self.database.query("SELECT 1 FROM runs WHERE run = ?", (opened.run,)):
                raise BenchError(f"{self.database.where}: run {opened.run} is recorded already.")
            marks = ", ".join("?" * len(row))
            self.database.execute(
                f"INSERT INTO runs (run_no, {schema.RUN_SQL}, opened_at, more)"
                f" SELECT COALESCE(MAX(run_no), 0) + 1, {marks} FROM runs",
                row,
            )
            run_no = int(self.database.query("SELECT run_no FROM runs WHERE run = ?", (opened.run,))[0][0])
            self.database.execute_many(
                "INSERT INTO equipment (run_no, position, kind, name, identity, certificate, due, used, more)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [[run_no, *one] for one in schema.equipment_rows(opened)],
            )
        self._open[opened.run] = _OpenRun(run_no)

    def append(self, run: str, reading: Reading) -> None:
        """Record one reading.

        Raises:
            BenchError: the run is not open, the row was recorded before, or the reading could not be written.
        """
        self.append_all(run, (reading,))

    def append_all(self, run: str, readings: Sequence[Reading]) -> None:
        """Record readings that were taken elsewhere, all of them or none.

        Raises:
            BenchError: as for `append`.
        """
        state = self._open.get(run) or self._reopen(run)
        used = {("instrument", name) for reading in readings for name in reading.instruments}
        used |= {("part", name) for reading in readings for name in reading.parts}
        used -= state.used
        names, rows, details = set(state.names), [], []
        defined: dict[tuple[str, ...], int] = {}
        with self.database.transaction():
            for position, reading in enumerate(readings, start=len(names)):
                if reading.name in names:
                    raise BenchError(f"{self.database.where}: {reading.name} of run {run} is recorded already.")
                names.add(reading.name)
                key = schema.definition_key(reading)
                definition_no = self._definitions.get(key) or defined.get(key) or self._define(key)
                defined[key] = definition_no
                rows.append([state.run_no, position, definition_no, *schema.reading_row(reading)])
                details.append([state.run_no, position, schema.reading_more(reading)])
            self.database.execute_many(
                f"INSERT INTO readings (run_no, position, definition_no, {schema.READING_SQL})"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                rows,
            )
            self.database.execute_many("INSERT INTO details (run_no, position, more) VALUES (?, ?, ?)", details)
            for kind, name in sorted(used):
                self.database.execute(
                    "UPDATE equipment SET used = 1 WHERE run_no = ? AND kind = ? AND name = ?",
                    (state.run_no, kind, name),
                )
        self._definitions |= defined
        state.names = names
        state.used |= used

    def _define(self, key: tuple[str, ...]) -> int:
        where = " AND ".join(f"{name} = ?" for name in schema.DEFINITION_SQL.split(", "))
        for _ in range(2):
            found = self.database.query(f"SELECT definition_no FROM definitions WHERE {where}", key)
            if found:
                return int(found[0][0])
            self.database.execute(
                f"INSERT INTO definitions (definition_no, {schema.DEFINITION_SQL})"
                " SELECT COALESCE(MAX(definition_no), 0) + 1, ?, ?, ?, ?, ?, ? FROM definitions",
                key,
            )
        raise BenchError(f"{self.database.where}: the row {key[0]} could not be defined.")

    def _reopen(self, run: str) -> "_OpenRun":
        run_no = self._run_no(run)
        if self.database.query("SELECT 1 FROM closings WHERE run_no = ?", (run_no,)):
            raise BenchError(f"{self.database.where}: run {run} is closed; nothing can be added.")
        state = self._open[run] = _OpenRun(run_no)
        state.names.update(
            row[0]
            for row in self.database.query(
                "SELECT name FROM readings JOIN definitions USING (definition_no) WHERE run_no = ?", (run_no,)
            )
        )
        return state

    def close_run(self, closed: RunClosed) -> None:
        """Record how a run ended, once.

        Raises:
            BenchError: unknown run, or closed before.
        """
        run_no = self._run_no(closed.run)
        with self.database.transaction():
            if self.database.query("SELECT 1 FROM closings WHERE run_no = ?", (run_no,)):
                raise BenchError(f"{self.database.where}: run {closed.run} is closed already.")
            self.database.execute(
                "INSERT INTO closings (run_no, verdict, reason, closed, planned, judged, actual_seconds, more)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [run_no, *schema.closed_row(closed)],
            )
        self._open.pop(closed.run, None)

    def add_files(self, run: str, files: Sequence[tuple[str, str]]) -> None:
        """Record files of a run as (path, SHA-256); a path recorded before gets the new hash."""
        run_no = self._run_no(run)
        with self.database.transaction():
            for path, sha256 in files:
                self.database.execute("DELETE FROM files WHERE run_no = ? AND path = ?", (run_no, path))
                self.database.execute(
                    "INSERT INTO files (run_no, path, sha256) VALUES (?, ?, ?)", (run_no, path, sha256)
                )

    def remove_run(self, run: str) -> None:
        """Take a run out of the record; only for runs that an archive holds (`hil.app.records`)."""
        run_no = self._run_no(run)
        with self.database.transaction():
            for table in ("details", "readings", "closings", "equipment", "files", "runs"):
                self.database.execute(f"DELETE FROM {table} WHERE run_no = ?", (run_no,))
        self._open.pop(run, None)

    # The ledger
    def add(self, entry: Entry) -> None:
        """Write an entry of the ledger, once.

        Raises:
            BenchError: an entry of that kind and uid exists.
        """
        row = schema.entry_row(entry)
        with self.database.transaction():
            if self.database.query("SELECT 1 FROM ledger WHERE kind = ? AND uid = ?", (entry.KIND, entry.uid)):
                raise BenchError(f"{self.database.where}: {entry.KIND} {entry.uid} is recorded already.")
            self.database.execute(
                "INSERT INTO ledger (uid, kind, subject, time, time_at, author, more) VALUES (?, ?, ?, ?, ?, ?, ?)", row
            )


class _OpenRun:
    """What this process knows of a run that it writes."""

    def __init__(self, run_no: int) -> None:
        self.run_no = run_no
        self.names: set[str] = set()
        self.used: set[tuple[str, str]] = set()


class SqliteStore(RecordStore):
    """The record in one file or in PostgreSQL, as ``where`` says; one of simulated runs may not survive a power cut."""

    def __init__(
        self, where: str, *, read_only: bool = False, simulated: bool = False, now: Callable[[], str] = _wall_time
    ) -> None:
        super().__init__(
            connect(where, read_only=read_only, survives_power_cut=not simulated), read_only=read_only, now=now
        )


def open_store(where: str, *, read_only: bool = False) -> RecordStore:
    """Open a record for writing or only for reading."""
    return RecordStore(connect(where, read_only=read_only), read_only=read_only)
