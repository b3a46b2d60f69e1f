"""Transactions of a record: all or nothing, wherever Ctrl-C strikes."""

import sqlite3
from typing import Any

import pytest

from hil.store.database import SqliteDatabase


class Struck:
    """A connection in which Ctrl-C strikes once a statement has been carried out."""

    def __init__(self, connection: sqlite3.Connection, after: str) -> None:
        self._connection, self._after = connection, after

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        done = self._connection.execute(sql, *values)
        if sql.startswith(self._after):
            raise KeyboardInterrupt
        return done


@pytest.mark.parametrize(("after", "kept"), [("BEGIN", 0), ("INSERT", 0), ("COMMIT", 1)])
def test_ctrl_c_leaves_no_transaction_open(tmp_path, after, kept):
    """One left open would take in all that is written later, and never commit it."""
    path = str(tmp_path / "record.sqlite")
    database = SqliteDatabase(path)
    with database.transaction():
        database.execute("CREATE TABLE readings (value REAL)")
    sound = database._connection
    database._connection = Struck(sound, after)
    with pytest.raises(KeyboardInterrupt), database.transaction():
        database.execute("INSERT INTO readings VALUES (1.0)")
    database._connection = sound
    assert not sound.in_transaction
    with database.transaction():
        database.execute("INSERT INTO readings VALUES (2.0)")
    database.close()
    other = SqliteDatabase(path, read_only=True)
    assert len(other.query("SELECT value FROM readings")) == kept + 1
    other.close()
