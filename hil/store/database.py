"""A thin floor under the SQL: SQLite in WAL mode, or PostgreSQL. Same statements for both.

Statements use ``?``. A transaction is durable when its ``with`` block has ended: killed before, nothing of it is
there; killed after, all of it is. That holds for the death of the program, whatever kills it. To hold for a power cut
as well, each transaction waits for the disk (synchronous=FULL); a record of simulated runs, which a seed brings back,
is spared that wait: it was a fifth of the time of a check, and most of it on a busy disk.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from hil.errors import BenchError, UsageError

Row = tuple[Any, ...]


class Database(Protocol):
    """What the store needs of a database."""

    where: str
    clustered: str  # ends CREATE TABLE where rows should lie in the order of their key

    def query(self, sql: str, values: Sequence[Any] = ()) -> list[Row]:
        """All rows of a SELECT."""
        ...

    def stream(self, sql: str, values: Sequence[Any] = (), *, rows: int) -> Iterator[list[Row]]:
        """The rows of a SELECT, so many at a time."""
        ...

    def execute(self, sql: str, values: Sequence[Any] = ()) -> None:
        """Run a statement inside a transaction."""
        ...

    def execute_many(self, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """Run a statement for each row."""
        ...

    def transaction(self) -> Any:
        """All or nothing, durable at the end of the outermost block."""
        ...

    def close(self) -> None:
        """Give the database free."""
        ...


class SqliteDatabase:
    """One SQLite file."""

    clustered = " WITHOUT ROWID"

    def __init__(self, where: str, *, read_only: bool = False, survives_power_cut: bool = True) -> None:
        self.where = where
        path = Path(where)
        if read_only and not path.is_file():
            raise UsageError(f"{where}: there is no such record. Check a unit first, or correct --out.")
        try:
            if not read_only:
                path.parent.mkdir(parents=True, exist_ok=True)
            mode = "?mode=ro" if read_only else "?mode=rwc"
            self._connection = sqlite3.connect(
                path.resolve().as_uri() + mode, uri=True, isolation_level=None, timeout=10.0
            )
            self._connection.execute("PRAGMA foreign_keys = ON")
            if not read_only:
                self._connection.execute("PRAGMA journal_mode = WAL")
                self._connection.execute(f"PRAGMA synchronous = {'FULL' if survives_power_cut else 'NORMAL'}")
        except sqlite3.Error as problem:
            raise _trouble(where, problem) from None
        except OSError as problem:
            raise UsageError(
                f"{where}: the record cannot be opened: {problem.strerror}. Choose another folder with --out."
            ) from None

    def query(self, sql: str, values: Sequence[Any] = ()) -> list[Row]:
        """All rows of a SELECT."""
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as problem:
            raise _trouble(self.where, problem) from None

    def stream(self, sql: str, values: Sequence[Any] = (), *, rows: int) -> Iterator[list[Row]]:
        """The rows of a SELECT, so many at a time."""
        try:
            cursor = self._connection.execute(sql, values)
            while found := cursor.fetchmany(rows):
                yield found
        except sqlite3.Error as problem:
            raise _trouble(self.where, problem) from None

    def execute(self, sql: str, values: Sequence[Any] = ()) -> None:
        """Run a statement inside a transaction."""
        self._connection.execute(sql, values)

    def execute_many(self, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """Run a statement for each row."""
        self._connection.executemany(sql, rows)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing, durable at the end of the outermost block."""
        if self._connection.in_transaction:
            yield
            return
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            yield
            self._connection.execute("COMMIT")
        except sqlite3.Error as problem:
            raise _trouble(self.where, problem) from None
        finally:
            if self._connection.in_transaction:  # whatever came between, wherever Ctrl-C struck
                self._connection.execute("ROLLBACK")

    def backup(self, target: Path) -> None:
        """Copy the record as it stands now, while others go on writing."""
        try:
            copy = sqlite3.connect(target)
            try:
                self._connection.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")  # one file, without companions that could be left behind
            finally:
                copy.close()
        except sqlite3.Error as problem:
            raise _trouble(str(target), problem) from None

    def close(self) -> None:
        """Give the file free."""
        self._connection.close()


def _trouble(where: str, problem: sqlite3.Error) -> BenchError:
    said = str(problem)
    if "full" in said:
        advice = "the disk is full. What was recorded before is safe; make room, then check the unit again."
    elif "locked" in said or "busy" in said:
        advice = "another program holds the record. Close it, then try again."
    elif "readonly" in said or "unable to open" in said:
        advice = f"it cannot be written or opened ({said}). Check its folder and permissions."
    elif "not a database" in said or "malformed" in said:
        advice = f"this is not a sound record ({said}). Put back a backup; 'hil records check' tells more."
    else:
        advice = f"the record is in trouble: {said}. What was recorded before is safe."
    return BenchError(f"{where}: {advice}")


class PostgresDatabase:
    """A PostgreSQL database that several benches share; needs the extra ``hil[postgresql]``."""

    clustered = ""

    def __init__(self, where: str) -> None:
        try:
            import psycopg
        except ImportError:
            raise UsageError(f"{_without_password(where)}: PostgreSQL needs 'pip install hil[postgresql]'.") from None
        self.where = _without_password(where)
        self._error = psycopg.Error
        try:
            self._connection = psycopg.connect(where, autocommit=True)
        except psycopg.Error as problem:
            raise BenchError(f"{self.where}: the record cannot be opened: {problem}") from None

    def query(self, sql: str, values: Sequence[Any] = ()) -> list[Row]:
        """All rows of a SELECT."""
        try:
            return self._connection.execute(sql.replace("?", "%s").encode(), values).fetchall()
        except self._error as problem:
            raise BenchError(f"{self.where}: the record is in trouble: {problem}") from None

    def stream(self, sql: str, values: Sequence[Any] = (), *, rows: int) -> Iterator[list[Row]]:
        """The rows of a SELECT, so many at a time."""
        try:
            cursor = self._connection.execute(sql.replace("?", "%s").encode(), values)
            while found := cursor.fetchmany(rows):
                yield found
        except self._error as problem:
            raise BenchError(f"{self.where}: the record is in trouble: {problem}") from None

    def execute(self, sql: str, values: Sequence[Any] = ()) -> None:
        """Run a statement inside a transaction."""
        self._connection.execute(sql.replace("?", "%s").encode(), values)

    def execute_many(self, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """Run a statement for each row."""
        with self._connection.cursor() as cursor:
            cursor.executemany(sql.replace("?", "%s").encode(), rows)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing, durable at the end of the outermost block."""
        try:
            with self._connection.transaction():
                # One writer at a time, as in SQLite: numbers of runs and definitions are counted on.
                self._connection.execute("SELECT pg_advisory_xact_lock(1)")
                yield
        except self._error as problem:
            raise BenchError(f"{self.where}: the record is in trouble: {problem}") from None

    def close(self) -> None:
        """Give the connection free."""
        self._connection.close()


def _without_password(url: str) -> str:
    head, at, tail = url.rpartition("@")
    if not at:
        return url
    scheme, slashes, user = head.partition("://")
    return f"{scheme}{slashes}{user.split(':')[0]}@{tail}"


def connect(where: str, *, read_only: bool = False, survives_power_cut: bool = True) -> Database:
    """Open a record: a path, or ``postgresql://…``.

    Args:
        survives_power_cut: each transaction waits for the disk (SQLite; a server has settings of its own).

    Raises:
        UsageError: a driver is missing, there is no such file to read, or no folder can be made for it.
        BenchError: it cannot be opened.
    """
    if where.startswith(("postgresql://", "postgres://")):
        return PostgresDatabase(where)
    if "://" in where:
        raise UsageError(f"{where}: a record is a path or postgresql://…")
    return SqliteDatabase(where, read_only=read_only, survives_power_cut=survives_power_cut)
