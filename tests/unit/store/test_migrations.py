"""Steps of the record's shape."""

import pytest

from hil.errors import BenchError, UsageError
from hil.store.database import SqliteDatabase
from hil.store.migrations import MIGRATIONS, Migration, migrate, pending
from hil.store.sqlite_store import SqliteStore

NEXT = Migration("9999_colour", "a column for the colour", ("ALTER TABLE runs ADD COLUMN colour TEXT",))


@pytest.fixture
def database(tmp_path):
    database = SqliteDatabase(str(tmp_path / "x.sqlite"))
    yield database
    database.close()


def test_a_new_record_gets_every_step_with_its_note(database):
    assert migrate(database, now="2026-11-25") == tuple(step.name for step in MIGRATIONS)
    assert database.query("SELECT position, name, note, applied FROM migrations") == [
        (index, step.name, step.note, "2026-11-25") for index, step in enumerate(MIGRATIONS, start=1)
    ]
    assert migrate(database, now="later") == ()


def test_an_older_record_gets_what_is_missing(database):
    migrate(database, now="then")
    assert migrate(database, now="now", steps=(*MIGRATIONS, NEXT)) == ("9999_colour",)
    assert database.query("SELECT colour FROM runs") == []


def test_a_step_that_fails_leaves_nothing(database):
    broken = Migration("9999_broken", "half of it works", ("CREATE TABLE half (a TEXT)", "CREATE NONSENSE"))
    with pytest.raises(BenchError, match="the record is in trouble"):
        migrate(database, now="now", steps=(*MIGRATIONS, broken))
    assert database.query("SELECT name FROM sqlite_master WHERE name = 'half'") == []
    assert pending(database, (*MIGRATIONS, broken)) == (broken,)


def test_a_newer_record_is_refused(database):
    migrate(database, now="now", steps=(*MIGRATIONS, NEXT))
    with pytest.raises(UsageError) as caught:
        SqliteStore(database.where)
    assert str(caught.value) == (
        f"{database.where}: this record is from a newer version of hil (step 9999_colour). Update hil."
    )


def test_steps_out_of_order_are_refused(database):
    migrate(database, now="now")
    first = Migration("0000_before", "a step before the first", ())
    with pytest.raises(UsageError, match="out of order"):
        pending(database, (first, *MIGRATIONS))


def test_reading_only_does_not_migrate(tmp_path):
    path = tmp_path / "empty.sqlite"
    path.touch()
    with pytest.raises(UsageError, match="Run 'hil records upgrade' first"):
        SqliteStore(str(path), read_only=True)
