"""The table of trials: every reading of every unit that was tried with a fault, durable as it comes.

    with TrialTable(path, key=key) as table:
        table.add(tried)
        table.has(trial); table.count(); for tried in table.all(): ...

One SQLite file. A trial is one row; its readings are compressed JSON, because they are always read together. The file
belongs to one state of netlist, limits, kit, bench and checks, told by `key`: a reading under other limits or of
another netlist says nothing about these.
"""

import json
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple, fields
from types import TracebackType

from hil.core.coverage import Seen, Trial, Tried
from hil.core.records import UnitVerdict, Verdict
from hil.core.visibility import Moved
from hil.errors import UsageError
from hil.store.database import SqliteDatabase

_TABLES = (
    "CREATE TABLE IF NOT EXISTS about (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS trials (fault TEXT NOT NULL, number INTEGER NOT NULL, serial TEXT NOT NULL,"
    " made TEXT NOT NULL, verdict TEXT NOT NULL, trouble TEXT NOT NULL, seconds REAL NOT NULL, readings BLOB NOT NULL,"
    " PRIMARY KEY (fault, number)) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS looked (fault TEXT NOT NULL, number INTEGER NOT NULL, moved TEXT NOT NULL,"
    " PRIMARY KEY (fault, number)) WITHOUT ROWID",
)
MOST_MOVED = 5  # a fault that stops the meter moves hundreds of things
_COLUMNS = "fault, number, serial, made, verdict, trouble, seconds, readings"
_LETTER = {Verdict.PASS: "p", Verdict.FAIL: "f", Verdict.UNDECIDED: "u", Verdict.NOT_MEASURED: "n"}
_VERDICT = {letter: verdict for verdict, letter in _LETTER.items()}


class TrialTable:
    """What came of trials, in a file.

    Args:
        where: path of the file; made when it is not there.
        key: what the readings depend on besides the unit, as names and hashes; None accepts what is there.

    Raises:
        UsageError: the file was made with another key, or `read_only` and there is none.
        BenchError: the file cannot be read or written.
    """

    def __init__(self, where: str, *, key: Mapping[str, str] | None = None, read_only: bool = False) -> None:
        self.where = where
        self._database = SqliteDatabase(where, read_only=read_only)
        try:
            self._prepare(key, read_only)
        except BaseException:
            self._database.close()
            raise

    def _prepare(self, key: Mapping[str, str] | None, read_only: bool) -> None:
        if not read_only:
            with self._database.transaction():
                for sql in _TABLES:
                    self._database.execute(sql)
        known: dict[str, str] = dict(self._database.query("SELECT name, value FROM about"))
        changed = [name for name, value in (key or {}).items() if known and known.get(name) != value]
        if changed:
            raise UsageError(
                f"{self.where}: was made with other {', '.join(changed)}, so its readings say nothing about these. "
                "Keep it under another name or delete it, then start again."
            )
        if key is not None and not known:
            with self._database.transaction():
                self._database.execute_many("INSERT INTO about (name, value) VALUES (?, ?)", list(key.items()))
        self.key: dict[str, str] = known or dict(key or {})

    def __enter__(self) -> "TrialTable":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the file free."""
        self._database.close()

    def add(self, tried: Tried) -> None:
        """Keep what came of a trial; durable when this returns. A trial made before is replaced."""
        trial = tried.trial
        packed = [
            [name, seen.value, _LETTER[seen.verdict], round(tried.row_seconds.get(name, 0.0), 6)]
            for name, seen in tried.readings.items()
        ]
        blob = zlib.compress(json.dumps(packed, separators=(",", ":")).encode())
        row = (trial.fault, trial.number, trial.serial, trial.made, str(tried.verdict), tried.trouble, tried.seconds)
        with self._database.transaction():
            self._database.execute(f"INSERT OR REPLACE INTO trials ({_COLUMNS}) VALUES ({_MARKS})", (*row, blob))

    def made(self) -> frozenset[Trial]:
        """All trials that are in the table."""
        rows = self._database.query("SELECT fault, number, serial, made FROM trials")
        return frozenset(Trial(fault=row[0], number=row[1], serial=row[2], made=row[3]) for row in rows)

    def all(self, fault: str | None = None) -> Iterator[Tried]:
        """What came of the trials, of one fault or of all, by fault and number; `""` are units without one."""
        where, values = ("", ()) if fault is None else (" WHERE fault = ?", (fault,))
        for row in self._database.query(f"SELECT {_COLUMNS} FROM trials{where} ORDER BY fault, number", values):
            packed = json.loads(zlib.decompress(row[7]))
            yield Tried(
                trial=Trial(fault=row[0], number=row[1], serial=row[2], made=row[3]),
                verdict=UnitVerdict(row[4]),
                trouble=row[5],
                seconds=row[6],
                readings={name: Seen(value=value, verdict=_VERDICT[letter]) for name, value, letter, _ in packed},
                row_seconds={name: seconds for name, _, _, seconds in packed},
            )

    def add_moved(self, trial: Trial, moved: Sequence[Moved]) -> None:
        """Keep what the fault of a trial moves, farthest first; of many only the first ones."""
        kept = json.dumps([astuple(one) for one in moved[:MOST_MOVED]])
        with self._database.transaction():
            self._database.execute(
                "INSERT OR REPLACE INTO looked (fault, number, moved) VALUES (?, ?, ?)",
                (trial.fault, trial.number, kept),
            )

    def moved(self) -> dict[tuple[str, int], tuple[Moved, ...]]:
        """What the fault moves in each trial that was looked at, by fault and number of the unit."""
        names = [one.name for one in fields(Moved)]
        return {
            (fault, number): tuple(Moved(**dict(zip(names, one, strict=True))) for one in json.loads(text))
            for fault, number, text in self._database.query("SELECT fault, number, moved FROM looked")
        }


_MARKS = ", ".join("?" * 8)
