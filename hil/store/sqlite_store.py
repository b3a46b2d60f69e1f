"""The record of runs: `hil.ports.Store`, and what lot figures, certificates and readiness ask of it.

    store = open_store("hil-out/records.sqlite")
    store.open_run(opened); store.append(run, reading); store.close_run(closed)

Each call is durable before it returns. A run without a closing was interrupted and says so for ever. Real and
simulated runs never share a record: the first run decides which kind a record is of.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, TypeVar

from hil.core.ledger import Entry
from hil.core.records import Reading, Run, RunClosed, RunOpened, RunSummary
from hil.errors import BenchError, UsageError
from hil.store import schema
from hil.store.database import Database, connect
from hil.store.migrations import migrate, pending

E = TypeVar("E", bound=Entry)
_COLUMNS = {
    "run_no": "readings.run_no",
    "position": "position",
    "definition_no": "definition_no",
    "verdict": "CASE readings.verdict WHEN 'pass' THEN 0 WHEN 'fail' THEN 1 WHEN 'undecided' THEN 2 ELSE 3 END",
    "value": "value",
    "lower": "lower_limit",
    "upper": "upper_limit",
    "accept_lower": "accept_lower",
    "accept_upper": "accept_upper",
    "nominal": "nominal",
    "expanded_uncertainty": "expanded_uncertainty",
    "seconds": "seconds",
}


def _wall_time() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class RecordStore:
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
        self.database = database
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
        state = self._open.get(run) or self._reopen(run)
        if reading.name in state.names:
            raise BenchError(f"{self.database.where}: {reading.name} of run {run} is recorded already.")
        key = schema.definition_key(reading)
        fresh = {("instrument", name) for name in reading.instruments} | {("part", name) for name in reading.parts}
        fresh -= state.used
        with self.database.transaction():
            definition_no = self._definitions.get(key) or self._define(key)
            place = (state.run_no, len(state.names))
            self.database.execute(
                f"INSERT INTO readings (run_no, position, definition_no, {schema.READING_SQL})"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [*place, definition_no, *schema.reading_row(reading)],
            )
            self.database.execute(
                "INSERT INTO details (run_no, position, more) VALUES (?, ?, ?)",
                [*place, schema.reading_more(reading)],
            )
            for kind, name in sorted(fresh):
                self.database.execute(
                    "UPDATE equipment SET used = 1 WHERE run_no = ? AND kind = ? AND name = ?",
                    (state.run_no, kind, name),
                )
        self._definitions[key] = definition_no
        state.names.add(reading.name)
        state.used |= fresh

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

    # Reading runs
    def _run_no(self, run: str) -> int:
        found = self.database.query("SELECT run_no FROM runs WHERE run = ?", (run,))
        if not found:
            raise UsageError(f"{self.database.where}: there is no run '{run}'. 'hil show' lists the latest ones.")
        return int(found[0][0])

    def run(self, run: str) -> Run:
        """One run with everything.

        Raises:
            UsageError: there is no such run.
        """
        run_no = self._run_no(run)
        (opening,) = self.database.query(f"SELECT {schema.RUN_SQL}, more FROM runs WHERE run_no = ?", (run_no,))
        equipment = self.database.query(
            "SELECT kind, more FROM equipment WHERE run_no = ? ORDER BY position", (run_no,)
        )
        readings = self.database.query(
            f"SELECT {schema.DEFINITION_SQL}, {schema.READING_SQL}, more FROM readings"
            " JOIN definitions USING (definition_no) JOIN details USING (run_no, position)"
            " WHERE run_no = ? ORDER BY position",
            (run_no,),
        )
        closing = self.database.query(
            "SELECT verdict, reason, closed, planned, judged, actual_seconds, more FROM closings WHERE run_no = ?",
            (run_no,),
        )
        return Run(
            opened=schema.opened_value(opening, equipment),
            readings=tuple(schema.reading_value(row) for row in readings),
            closed=schema.closed_value(run, closing[0]) if closing else None,
        )

    def runs(self, *, serial: str | None = None, lot: str | None = None) -> Iterator[Run]:
        """Runs in the order of time."""
        for summary in self.summaries(serial=serial, lot=lot):
            yield self.run(summary.run)

    def files(self, run: str) -> tuple[tuple[str, str], ...]:
        """Files of a run as (path, SHA-256)."""
        rows = self.database.query(
            "SELECT path, sha256 FROM files WHERE run_no = ? ORDER BY path", (self._run_no(run),)
        )
        return tuple((path, sha256) for path, sha256 in rows)

    def summaries(
        self,
        *,
        serial: str | None = None,
        lot: str | None = None,
        board: str | None = None,
        bench: str | None = None,
        since: str | None = None,
    ) -> list[RunSummary]:
        """Runs without their readings, in the order of time (then of recording)."""
        asked = {"serial": serial, "lot": lot, "board": board, "bench": bench}
        where, values = _where({f"{name} = ?": value for name, value in asked.items()}, since)
        columns = ", ".join(f"runs.{name}" for name in schema.RUN_SQL.split(", "))
        rows = self.database.query(
            f"SELECT runs.run_no, {columns}, opened_at, runs.more, verdict, reason, closed, planned, judged,"
            " actual_seconds, closings.more FROM runs LEFT JOIN closings ON closings.run_no = runs.run_no"
            f"{where} ORDER BY opened_at, runs.run_no",
            values,
        )
        return [schema.summary_value(row) for row in rows]

    def find_run(self, text: str) -> str:
        """The run that a text means: a run, the beginning of one, or a serial number (its latest run).

        Raises:
            UsageError: nothing or too much fits.
        """
        if self.database.query("SELECT 1 FROM runs WHERE run = ?", (text,)):
            return text
        latest = self.database.query(
            "SELECT run FROM runs WHERE serial = ? ORDER BY opened_at DESC, run_no DESC LIMIT 1", (text,)
        )
        if latest:
            return str(latest[0][0])
        begun = [
            str(row[0])
            for row in self.database.query(
                "SELECT run FROM runs WHERE SUBSTR(run, 1, ?) = ? ORDER BY run", (len(text), text)
            )
        ]
        if len(begun) == 1:
            return begun[0]
        if begun:
            raise UsageError(f"'{text}' is the beginning of {len(begun)} runs: {', '.join(begun[:5])} … Write more.")
        raise UsageError(f"{self.database.where}: '{text}' is neither a run nor a serial number in this record.")

    def next_attempt(self, serial: str, *, scope: str = "full", only: str = "") -> int:
        """Number of the attempt that a new run would be.

        An attempt is used up by a run of the scope that passed or failed, or was broken off after a failed reading;
        a run that only met bench trouble does not count. Rework runs (``only``) belong to the attempt before.
        """
        ((used,),) = self.database.query(
            "SELECT COUNT(*) FROM runs LEFT JOIN closings ON closings.run_no = runs.run_no"
            " WHERE serial = ? AND scope = ? AND only_rows = '' AND (verdict IN ('PASS', 'FAIL') OR EXISTS"
            " (SELECT 1 FROM readings WHERE readings.run_no = runs.run_no AND readings.verdict = 'fail'))",
            (serial, scope),
        )
        return max(1, int(used)) if only else int(used) + 1

    def standing_run(self, serial: str, *, scope: str = "full") -> RunSummary | None:
        """The run that counts for a unit: the latest complete one of the scope."""
        complete = [one for one in self.summaries(serial=serial) if one.scope == scope and one.is_complete]
        return complete[-1] if complete else None

    # Columns for lot figures
    def definitions(self) -> dict[int, tuple[str, str, str, str, str, str]]:
        """definition_no -> (name, title, unit, check, group, rule)."""
        rows = self.database.query(f"SELECT definition_no, {schema.DEFINITION_SQL} FROM definitions")
        return {row[0]: row[1:] for row in rows}

    def columns(
        self,
        *names: str,
        lot: str | None = None,
        serial: str | None = None,
        board: str | None = None,
        since: str | None = None,
    ) -> dict[str, list[Any]]:
        """Readings as columns, in the order of recording, without building runs.

        ``names`` are of run_no, position, definition_no, verdict (0 pass, 1 fail, 2 undecided, 3 not measured),
        value (None for texts and booleans), lower, upper, accept_lower, accept_upper, nominal, expanded_uncertainty,
        seconds. What belongs to a run is in `summaries`, what belongs to a row in `definitions`.
        """
        picked = ", ".join(_COLUMNS[name] for name in names)
        asked = {"lot = ?": lot, "serial = ?": serial, "board = ?": board}
        where, values = _where(asked, since)
        if where:
            where = f" WHERE run_no IN (SELECT run_no FROM runs{where})"
        rows = self.database.query(f"SELECT {picked} FROM readings{where} ORDER BY run_no, position", values)
        return dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)) if rows else {one: [] for one in names}

    def texts(self, name: str, *, lot: str | None = None) -> list[tuple[int, str]]:
        """(run_no, reason) of the readings of one row that did not pass, for the words beside the numbers."""
        where, values = _where({"lot = ?": lot}, None)
        runs = f" AND run_no IN (SELECT run_no FROM runs{where})" if where else ""
        rows = self.database.query(
            "SELECT run_no, more FROM readings JOIN definitions USING (definition_no) JOIN details USING"
            f" (run_no, position) WHERE name = ? AND verdict <> 'pass'{runs} ORDER BY run_no",
            [name, *values],
        )
        return [(row[0], schema.reason_in(row[1])) for row in rows]

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

    def entries(self, kind: type[E], *, subject: str | None = None, since: str | None = None) -> tuple[E, ...]:
        """Entries of a kind in the order of time."""
        where = "kind = ?" + (" AND subject = ?" if subject is not None else "")
        values: list[Any] = [kind.KIND] + ([subject] if subject is not None else [])
        if since is not None:
            where, values = where + " AND time_at >= ?", [*values, schema.epoch_s(since)]
        rows = self.database.query(
            f"SELECT kind, uid, time, author, more FROM ledger WHERE {where} ORDER BY time_at, uid", values
        )
        return tuple(schema.entry_value(*row) for row in rows)  # type: ignore[misc]


class _OpenRun:
    """What this process knows of a run that it writes."""

    def __init__(self, run_no: int) -> None:
        self.run_no = run_no
        self.names: set[str] = set()
        self.used: set[tuple[str, str]] = set()


def _where(asked: dict[str, str | None], since: str | None) -> tuple[str, list[Any]]:
    terms = [term for term, value in asked.items() if value is not None]
    values: list[Any] = [value for value in asked.values() if value is not None]
    if since is not None:
        terms.append("opened_at >= ?")
        values.append(schema.epoch_s(since))
    return (f" WHERE {' AND '.join(terms)}" if terms else ""), values


class SqliteStore(RecordStore):
    """The record in one file, or in PostgreSQL when ``where`` says so."""

    def __init__(self, where: str, *, read_only: bool = False, now: Callable[[], str] = _wall_time) -> None:
        super().__init__(connect(where, read_only=read_only), read_only=read_only, now=now)


def open_store(where: str, *, read_only: bool = False) -> RecordStore:
    """Open a record for writing or only for reading."""
    return RecordStore(connect(where, read_only=read_only), read_only=read_only)
