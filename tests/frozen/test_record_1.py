"""The first released shape of the record and of its export are read for ever."""

import runpy
import shutil
from pathlib import Path

import pytest

from hil.app.records import examine, import_export
from hil.store.migrations import MIGRATIONS
from hil.store.sqlite_store import SqliteStore

HERE = Path(__file__).parent
MADE = runpy.run_path(str(HERE / "make_record_1.py"))


@pytest.fixture
def record(tmp_path):
    shutil.copy(HERE / "record_1.sqlite", tmp_path / "record.sqlite")
    with SqliteStore(str(tmp_path / "record.sqlite")) as store:
        yield store


def check(store):
    run = store.run(MADE["OPENED"].run)
    assert run.opened == MADE["OPENED"]
    assert run.readings == MADE["READINGS"]
    assert run.closed == MADE["CLOSED"]
    assert store.files(run.opened.run) == MADE["FILES"]
    for entry in MADE["ENTRIES"]:
        assert store.entries(type(entry)) == (entry,)
    assert store.next_attempt("QM2-00001") == 3  # one attempt here, one in an archive


def test_record(record):
    check(record)


def test_record_is_brought_to_today(record):
    names = [row[0] for row in record.database.query("SELECT name FROM migrations ORDER BY position")]
    assert names == [step.name for step in MIGRATIONS]


def test_record_is_sound(record):
    assert [str(one) for one in examine(record) if one.severity == "error"] == [
        "error: certificate QI-C-0002: amends QI-C-0001, which is not in the record"
    ]


def test_export(tmp_path):
    with SqliteStore(str(tmp_path / "new.sqlite")) as store:
        import_export(store, HERE / "record_1.jsonl")
        check(store)
