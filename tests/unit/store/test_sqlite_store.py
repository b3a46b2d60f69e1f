"""What goes into the record comes out again, once, in order."""

import json
import math
import sqlite3
from dataclasses import replace

import pytest

from hil.core.ledger import (
    Baseline,
    CertificateIssued,
    Document,
    Lot,
    Readiness,
    ReadinessValue,
    Removal,
    Rework,
)
from hil.core.records import Statement, UnitVerdict, Verdict
from hil.errors import BenchError, UsageError
from hil.store.queries import DEFINITIONS, VERDICTS
from hil.store.sqlite_store import SqliteStore


def test_a_run_comes_back_as_it_was(store, opened, reading, closed):
    readings = (
        reading,
        replace(reading, name="b", value=True, expected=True, unit="", statement=Statement.CONDITIONAL_PASS),
        replace(reading, name="c", value=None, verdict=Verdict.NOT_MEASURED, reason="why", budget=(), raw=()),
        replace(reading, name="d", value="text", expected="text", hand_read=True),
        replace(reading, name="e", value=1.2345678901234567e-12, raw=("1", 2.5, True, None)),
    )
    store.open_run(opened)
    for one in readings:
        store.append("R1", one)
    store.close_run(closed)
    run = store.run("R1")
    assert run.opened == opened
    assert run.readings == readings
    assert run.closed == closed
    assert list(store.runs(serial="QM2-00001")) == [run]
    assert list(store.runs(serial="QM2-00002")) == []


def test_answers_that_json_does_not_know_are_kept_as_texts(store, opened, reading):
    store.open_run(opened)
    store.append("R1", replace(reading, value=None, raw=(math.inf, (math.nan, 1.0)), reason="reads infinite"))
    (more,) = store.database.query("SELECT more FROM details")[0]
    assert json.loads(more)["raw"] == ["inf", ["nan", 1.0]]
    assert store.run("R1").readings[0].raw == ("inf", ["nan", 1.0])


def test_each_reading_is_there_for_another_reader_at_once(store, opened, reading):
    store.open_run(opened)
    other = sqlite3.connect(store.database.where)
    for count, name in enumerate(("a", "b", "c"), start=1):
        store.append("R1", replace(reading, name=name))
        assert other.execute("SELECT COUNT(*) FROM readings").fetchone() == (count,)
    other.close()


def test_a_run_that_was_never_closed_says_so(store, opened, reading):
    store.open_run(opened)
    store.append("R1", reading)
    run = store.run("R1")
    assert (run.closed, run.verdict) == (None, UnitVerdict.INCOMPLETE)
    (summary,) = store.summaries()
    assert (summary.is_closed, summary.verdict) == (False, UnitVerdict.INCOMPLETE)
    assert summary.reason == "interrupted: the run was never closed"


def test_what_can_be_made_once(store, opened, reading, closed):
    store.open_run(opened)
    store.append("R1", reading)
    with pytest.raises(BenchError, match="a of run R1 is recorded already"):
        store.append("R1", reading)
    with pytest.raises(BenchError, match="run R1 is recorded already"):
        store.open_run(opened)
    store.close_run(closed)
    with pytest.raises(BenchError, match="run R1 is closed already"):
        store.close_run(closed)
    with pytest.raises(BenchError, match="run R1 is closed; nothing can be added"):
        store.append("R1", replace(reading, name="b"))


def test_another_process_cannot_record_a_row_twice(store, opened, reading):
    store.open_run(opened)
    store.append("R1", reading)
    with SqliteStore(store.database.where) as other:
        with pytest.raises(BenchError, match="a of run R1 is recorded already"):
            other.append("R1", reading)
        other.append("R1", replace(reading, name="b"))
    assert [one.name for one in store.run("R1").readings] == ["a", "b"]


def test_real_and_simulated_runs_never_share_a_record(store, opened):
    store.open_run(opened)
    with pytest.raises(UsageError, match="holds simulated runs, and this one is real"):
        store.open_run(replace(opened, run="R2", simulated=False))
    assert [one.run for one in store.summaries()] == ["R1"]


def test_unknown_run(store):
    with pytest.raises(UsageError, match="there is no run 'R9'"):
        store.run("R9")


def test_find_run(store, record):
    record("20261125-100000-QM2-00001-a")
    record("20261125-100500-QM2-00002-b", serial="QM2-00002", opened="2026-11-25T10:05:00Z")
    record("20261126-100500-QM2-00002-c", serial="QM2-00002", opened="2026-11-26T10:05:00Z")
    assert store.find_run("QM2-00002") == "20261126-100500-QM2-00002-c"
    assert store.find_run("20261125-1005") == "20261125-100500-QM2-00002-b"
    assert store.find_run("20261125-100000-QM2-00001-a") == "20261125-100000-QM2-00001-a"
    with pytest.raises(UsageError, match="is the beginning of 3 runs"):
        store.find_run("2026")
    with pytest.raises(UsageError, match="'x' is neither a run nor a serial number"):
        store.find_run("x")


def test_runs_stand_in_the_order_of_time_whatever_the_zone(store, record):
    record("later", opened="2026-11-25T10:00:00+00:00")
    record("earlier", opened="2026-11-25T10:30:00+01:00")
    assert [one.run for one in store.summaries()] == ["earlier", "later"]
    assert [one.run for one in store.summaries(since="2026-11-25T09:45:00Z")] == ["later"]


@pytest.mark.parametrize(
    ("runs", "attempt"),
    [
        ([], 1),
        ([("pass pass", "PASS", {})], 2),
        ([("pass fail", "FAIL", {}), ("pass fail", "FAIL", {})], 3),
        ([("pass", "INCOMPLETE", {})], 1),
        ([("pass", None, {})], 1),
        ([("pass fail", None, {})], 2),
        ([("pass fail", "INCOMPLETE", {})], 2),
        ([("fail", "FAIL", {"only": "a*"})], 1),
        ([("fail", "FAIL", {"scope": "boxed"})], 1),
        ([("fail", "FAIL", {"serial": "QM2-00002"})], 1),
    ],
)
def test_attempts(store, record, runs, attempt):
    for index, (verdicts, unit, changes) in enumerate(runs):
        record(f"R{index}", verdicts, unit, **changes)
    assert store.next_attempt("QM2-00001") == attempt
    assert store.next_attempt("QM2-00001", only="a*") == max(1, attempt - 1)


def test_latest_complete_run_of_the_scope_counts(store, record):
    assert store.standing_run("QM2-00001") is None
    record("R1", "pass fail", "FAIL", opened="2026-11-25T10:00:00Z")
    record("R2", "pass pass", "PASS", opened="2026-11-25T11:00:00Z")
    record("R3", "pass", "INCOMPLETE", opened="2026-11-25T12:00:00Z")
    record("R4", "fail", "FAIL", opened="2026-11-25T13:00:00Z", only="a*")
    record("R5", "fail", "FAIL", opened="2026-11-25T14:00:00Z", scope="boxed")
    assert store.standing_run("QM2-00001").run == "R2"
    assert store.standing_run("QM2-00001", scope="boxed").run == "R5"


def test_columns_tell_what_the_runs_tell(store, record):
    record("R1", "pass fail", "FAIL")
    record("R2", "undecided not_measured", "INCOMPLETE", lot="L2")
    columns = store.columns("run_no", "definition_no", "verdict", "value", "accept_upper", "seconds")
    names = store.definitions()
    numbers = {one.run_no: one.run for one in store.summaries()}
    rows = list(zip(*columns.values(), strict=True))
    codes = tuple(Verdict)
    assert [(numbers[row[0]], names[row[1]][0], codes[row[2]], *row[3:]) for row in rows] == [
        (run.opened.run, one.name, one.verdict, one.value, one.accept_upper, one.seconds)
        for run in store.runs()
        for one in run.readings
    ]
    assert store.columns("verdict", lot="L2") == {"verdict": [2, 3]}
    assert store.columns("verdict", lot="none") == {"verdict": []}


def test_reasons_of_readings_that_did_not_pass(store, opened, reading):
    store.open_run(opened)
    store.append("R1", replace(reading, verdict=Verdict.FAIL, reason="too high"))
    store.append("R1", replace(reading, name="b"))
    assert store.texts("a") == [(1, "too high")]
    assert store.texts("a", lot="L2") == []
    assert store.texts("b") == []


def test_equipment_counts_as_used_when_a_reading_rests_on_it(store, opened, reading):
    store.open_run(opened)
    store.append("R1", reading)
    used = store.database.query("SELECT name, used FROM equipment ORDER BY name")
    assert used == [("c_1n", 0), ("c_1p", 1), ("counter", 0), ("supply", 1)]


def test_files_of_a_run(store, opened, closed):
    store.open_run(opened)
    store.close_run(closed)
    store.add_files("R1", [("certificate.pdf", "aa"), ("report.html", "bb")])
    store.add_files("R1", [("report.html", "cc")])
    assert store.files("R1") == (("certificate.pdf", "aa"), ("report.html", "cc"))


TIME = "2026-11-25T10:00:00+01:00"


@pytest.mark.parametrize(
    "entry",
    [
        CertificateIssued(uid="QI-1", time=TIME, author="A", serial="S", run="R1", sha256="00", predecessor="QI-0"),
        Readiness(
            uid="1", time=TIME, bench="west", ready=False, simulated=False, reason="r",
            values=(ReadinessValue(name="open", value=1e-12, unit="F", verdict="pass", upper=6e-12),),
            identities=(("supply", "maker,PS,1,2"),),
        ),
        Baseline(uid="1", time=TIME, name="fw-1.0", board="qm2", runs=("R1", "R2")),
        Rework(uid="1", time=TIME, serial="S", action="replaced", target="R5", after_run="R1"),
        Lot(uid="1", time=TIME, lot="L1", size=100, components=(("C1", "lot 7"), ("L1", "lot 9"))),
        Removal(uid="1", time=TIME, serial="S", run="R", opened=TIME, scope="full", used_attempt=True,
                verdict="PASS", reason="old", archive="a",
                archive_sha256="00"),
        Document(uid="1", time=TIME, name="study", content='{"a": [1, 2]}'),
    ],
    ids=lambda entry: entry.KIND,
)  # fmt: skip
def test_ledger(store, entry):
    store.add(entry)
    assert store.entries(type(entry)) == (entry,)
    assert store.entries(type(entry), subject=entry.subject) == (entry,)
    assert store.entries(type(entry), subject="other") == ()
    assert store.entries(type(entry), since="2026-11-25T09:30:00Z") == ()
    with pytest.raises(BenchError, match="is recorded already"):
        store.add(entry)


def test_disk_full_is_told_and_loses_nothing(store, opened, reading):
    store.open_run(opened)
    store.append("R1", reading)
    ((pages,),) = store.database.query("PRAGMA page_count")
    store.database.query(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(BenchError) as caught:
        _append_many(store, reading)
    assert str(caught.value) == (
        f"{store.database.where}: the disk is full. What was recorded before is safe; make room, then check the "
        "unit again."
    )
    ((limit,),) = store.database.query("PRAGMA max_page_count = 100000")
    assert limit == 100000
    names = [one.name for one in store.run("R1").readings]
    assert names[0] == "a"
    store.append("R1", replace(reading, name="after"))  # with room again the same run goes on
    assert [one.name for one in store.run("R1").readings] == [*names, "after"]


def _append_many(store, reading):
    for index in range(100):
        store.append("R1", replace(reading, name=f"n{index}", raw=("x" * 4000,)))


def test_a_file_that_is_no_record(tmp_path):
    path = tmp_path / "x.sqlite"
    path.write_text("certainly no database, but long enough to look like one" * 20)
    with pytest.raises(BenchError, match="this is not a sound record"):
        SqliteStore(str(path))


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match=r"the record cannot be opened: .*Choose another folder with --out"):
        SqliteStore(str(tmp_path / "file" / "records.sqlite"))


def test_reading_only_needs_a_record_and_changes_nothing(store, opened, tmp_path):
    with pytest.raises(UsageError, match="there is no such record"):
        SqliteStore(str(tmp_path / "none.sqlite"), read_only=True)
    store.open_run(opened)
    with SqliteStore(store.database.where, read_only=True) as reader:
        assert [one.run for one in reader.summaries()] == ["R1"]
        with pytest.raises(BenchError, match="it cannot be written or opened"):
            reader.open_run(replace(opened, run="R2"))


def test_numbers_of_some_runs_come_row_after_row(store, record):
    record("R1", lot="L1")
    record("R2", lot="L1", serial="QM2-00002")
    record("R3", lot="L2", serial="QM2-00001")
    rows = store.columns("run_no", "definition_no", "verdict", "value", lot="L1")
    found = list(store.numbers("key", "value", lot="L1", rows=3))
    keys = [int(key) for key in found[::2]]
    assert [key // (DEFINITIONS * VERDICTS) for key in keys] == rows["run_no"] == [1, 1, 2, 2]
    assert [key // VERDICTS % DEFINITIONS for key in keys] == rows["definition_no"]
    assert [key % VERDICTS for key in keys] == rows["verdict"]
    assert found[1::2] == [math.inf if value is None else value for value in rows["value"]]
    assert list(store.numbers("run_no", runs=[2, 3])) == [2, 2, 3, 3]
    assert list(store.numbers("run_no", lot="L2", runs=[2, 3])) == [3, 3]
    assert list(store.numbers("run_no", runs=[])) == []
    assert store.lots() == ["L1", "L2"]
    assert store.lots_of("L1") == [("QM2-00001", "L2")]
    assert store.lots_of("L2") == [("QM2-00001", "L1")]
