"""Steps of the record's shape."""

import shutil
from pathlib import Path

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


def test_a_record_of_the_first_shape_is_upgraded_step_by_step_and_keeps_what_it_holds(tmp_path):
    """The frozen record of the first release, through today's steps and two to come, one at a time and all at once."""
    frozen = Path(__file__).parents[2] / "frozen" / "record_1.sqlite"
    colour = Migration("0900_colour", "a column for the colour", ("ALTER TABLE runs ADD COLUMN colour TEXT",))
    filled = Migration("0901_colour_known", "what was built before is grey", ("UPDATE runs SET colour = 'grey'",))
    for later in ([(colour,), (colour, filled)], [(colour, filled)]):
        path = tmp_path / f"{len(later)}.sqlite"
        shutil.copy(frozen, path)
        with SqliteStore(str(path), read_only=True) as store:
            before = store.run(store.summaries()[0].run)
        database = SqliteDatabase(str(path))
        steps = [migrate(database, now="now", steps=(*MIGRATIONS, *more)) for more in later]
        assert [name for names in steps for name in names] == ["0900_colour", "0901_colour_known"]
        assert database.query("SELECT DISTINCT colour FROM runs") == [("grey",)]
        noted = database.query("SELECT name, note FROM migrations ORDER BY position")[len(MIGRATIONS) :]
        assert noted == [(colour.name, colour.note), (filled.name, filled.note)]
        # The rest of the record is what it was.
        database.execute("DELETE FROM migrations WHERE name LIKE '09%'")
        database.execute("ALTER TABLE runs DROP COLUMN colour")
        database.close()
        with SqliteStore(str(path), read_only=True) as store:
            assert store.run(before.opened.run) == before
