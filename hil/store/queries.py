"""Questions to the record: one run, runs in short, attempts, columns for lot figures, what rests on a part."""

import math
from collections.abc import Iterator, Sequence
from itertools import chain
from typing import Any, TypeVar

from hil.core.ledger import Entry, Removal
from hil.core.records import Run, RunSummary
from hil.errors import BenchError, UsageError
from hil.store import schema
from hil.store.database import Database

E = TypeVar("E", bound=Entry)

VERDICTS, DEFINITIONS = 4, 2**20  # room for them in a key
_VERDICT = "CASE readings.verdict WHEN 'pass' THEN 0 WHEN 'fail' THEN 1 WHEN 'undecided' THEN 2 ELSE 3 END"
_COLUMNS = {
    "run_no": "readings.run_no",
    "position": "position",
    "definition_no": "definition_no",
    "verdict": _VERDICT,
    # (run_no·DEFINITIONS + definition_no)·VERDICTS + verdict: a float holds it, and a column costs a quarter of a row.
    "key": f"(CAST(readings.run_no AS BIGINT) * {DEFINITIONS} + definition_no) * {VERDICTS} + {_VERDICT}",
    "value": "value",
    "lower": "lower_limit",
    "upper": "upper_limit",
    "accept_lower": "accept_lower",
    "accept_upper": "accept_upper",
    "nominal": "nominal",
    "expanded_uncertainty": "expanded_uncertainty",
    "seconds": "seconds",
}


class Queries:
    """The reading half of `hil.store.sqlite_store.RecordStore`."""

    database: Database

    def _run_no(self, run: str) -> int:
        found = self.database.query("SELECT run_no FROM runs WHERE run = ?", (run,))
        if not found:
            raise UsageError(f"{self.database.where}: there is no run '{run}'. 'hil show' lists the latest ones.")
        return int(found[0][0])

    def run(self, run: str) -> Run:
        """One run with everything.

        Raises:
            UsageError: there is no such run.
            BenchError: it cannot be understood.
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
        try:
            return Run(
                opened=schema.opened_value(opening, equipment),
                readings=tuple(schema.reading_value(row) for row in readings),
                closed=schema.closed_value(run, closing[0]) if closing else None,
            )
        except (TypeError, KeyError, ValueError) as problem:
            raise BenchError(
                f"{self.database.where}: run {run} cannot be understood ({problem}). It is damaged, or from a newer "
                "version: update hil, or put back a backup."
            ) from None

    def runs(self, *, serial: str | None = None, lot: str | None = None) -> Iterator[Run]:
        """Runs in the order of time."""
        for summary in self.summaries(serial=serial, lot=lot):
            yield self.run(summary.run)

    def kind(self) -> str | None:
        """What the record holds: "real" or "simulated" runs; None as long as it holds none."""
        found = self.database.query("SELECT value FROM record_info WHERE name = 'kind'")
        return str(found[0][0]) if found else None

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
        other = "" if self.kind() == "simulated" else " Simulated runs are in a record of their own: --simulated."
        raise UsageError(f"{self.database.where}: '{text}' is neither a run nor a serial number in this record.{other}")

    def next_attempt(self, serial: str, *, scope: str = "full", only: str = "") -> int:
        """Number of the attempt that a new run would be.

        An attempt is used up by a run of the scope that passed or failed, or was broken off after a failed reading;
        a run that only met bench trouble does not count. Rework runs (``only``) belong to the attempt before.
        """
        ((used,),) = self.database.query(
            f"SELECT COUNT(*) FROM runs LEFT JOIN closings ON closings.run_no = runs.run_no"
            f" WHERE serial = ? AND scope = ? AND {_USES_ATTEMPT}",
            (serial, scope),
        )
        removed = sum(one.used_attempt and one.scope == scope for one in self.entries(Removal, subject=serial))
        return max(1, int(used) + removed) if only else int(used) + removed + 1

    def uses_attempt(self, run: str) -> bool:
        """Whether a run counts among the attempts of its unit (`next_attempt`)."""
        return bool(
            self.database.query(
                "SELECT 1 FROM runs LEFT JOIN closings ON closings.run_no = runs.run_no"
                f" WHERE run = ? AND {_USES_ATTEMPT}",
                (run,),
            )
        )

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
        sql, values = _columns_sql(names, lot=lot, serial=serial, board=board, since=since)
        rows = self.database.query(sql, values)
        return dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)) if rows else {one: [] for one in names}

    def numbers(
        self, *names: str, lot: str | None = None, runs: Sequence[int] | None = None, rows: int = 1000
    ) -> Iterator[float]:
        """The same row after row, one number after the other, for lots that would not fit into memory as lists.

        Infinity stands for what is no number: the record has none itself. ``key`` may be asked for too: run_no,
        definition_no and verdict in one whole number.

        Args:
            runs: only the readings of these run numbers.
            rows: so many are fetched at a time.
        """
        if runs is not None and not runs:  # no database has an empty list of numbers
            return iter(())
        sql, values = _columns_sql(names, numbers_only=True, runs=runs or (), lot=lot)
        blocks = self.database.stream(sql, [*(math.inf for _ in names), *values], rows=rows)
        return chain.from_iterable(chain.from_iterable(blocks))

    def lots_of(self, lot: str) -> list[tuple[str, str]]:
        """(serial number, other lot) of the units of a lot that also have runs in another lot."""
        return [
            (str(serial), str(other))
            for serial, other in self.database.query(
                "SELECT DISTINCT serial, lot FROM runs WHERE lot NOT IN ('', ?) AND serial IN"
                " (SELECT serial FROM runs WHERE lot = ?) ORDER BY serial, lot",
                (lot, lot),
            )
        ]

    def lots(self) -> list[str]:
        """Names of all lots."""
        return [
            str(row[0]) for row in self.database.query("SELECT DISTINCT lot FROM runs WHERE lot <> '' ORDER BY lot")
        ]

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

    # What rests on a part or instrument
    def resting_on(
        self, what: str, *, since: str | None = None, until: str | None = None
    ) -> list[tuple[RunSummary, str, str, str]]:
        """(run, kind, name, words) of the equipment called `what` in runs with a reading that rests on it.

        ``what`` is a name, a certificate number or a piece of an identity; kind is "part" or "instrument".

        Raises:
            ValueError: `since` or `until` is no ISO time.
        """
        rows = self.database.query(
            "SELECT run_no, kind, name, identity, certificate, due FROM equipment"
            f" WHERE used = 1 AND ({_CALLED}) ORDER BY run_no, position",
            _called(what),
        )
        runs = {one.run_no: one for one in self.summaries(since=since)} if rows else {}
        last = schema.epoch_s(until) if until is not None else None
        found = []
        for run_no, kind, name, identity, certificate, due in rows:
            run = runs.get(run_no)
            if run is None or (last is not None and run.opened_at >= last):
                continue
            words = ", ".join(word for word in (name, identity, certificate, due and f"due {due}") if word)
            found.append((run, kind, name, words))
        return sorted(found, key=lambda one: (one[0].opened_at, one[0].run_no))

    def knows_equipment(self, what: str) -> bool:
        """Whether anything is called that, used or not."""
        return bool(self.database.query(f"SELECT 1 FROM equipment WHERE {_CALLED} LIMIT 1", _called(what)))

    def equipment_names(self) -> list[str]:
        """Names of all parts and instruments in the record."""
        return [row[0] for row in self.database.query("SELECT DISTINCT name FROM equipment ORDER BY name")]


_USES_ATTEMPT = (
    "only_rows = '' AND (verdict IN ('PASS', 'FAIL') OR EXISTS"
    " (SELECT 1 FROM readings WHERE readings.run_no = runs.run_no AND readings.verdict = 'fail'))"
)
_CALLED = "name = ? OR certificate = ? OR identity LIKE ? ESCAPE '!'"


def _columns_sql(
    names: Sequence[str],
    *,
    numbers_only: bool = False,
    runs: Sequence[int] = (),
    since: str | None = None,
    **asked: str | None,
) -> tuple[str, list[Any]]:
    where, values = _where({f"{name} = ?": value for name, value in asked.items()}, since)
    terms = [f"run_no IN (SELECT run_no FROM runs{where})"] if where else []
    if runs:
        terms.append(f"run_no IN ({', '.join(str(int(one)) for one in runs)})")
    picked = ", ".join(f"COALESCE({_COLUMNS[name]}, ?)" if numbers_only else _COLUMNS[name] for name in names)
    condition = f" WHERE {' AND '.join(terms)}" if terms else ""
    return f"SELECT {picked} FROM readings{condition} ORDER BY run_no, position", values


def _called(what: str) -> list[str]:
    piece = what.replace("!", "!!").replace("%", "!%").replace("_", "!_")
    return [what, what, f"%{piece}%"]


def _where(asked: dict[str, str | None], since: str | None) -> tuple[str, list[Any]]:
    terms = [term for term, value in asked.items() if value is not None]
    values: list[Any] = [value for value in asked.values() if value is not None]
    if since is not None:
        terms.append("opened_at >= ?")
        values.append(schema.epoch_s(since))
    return (f" WHERE {' AND '.join(terms)}" if terms else ""), values
