"""Housekeeping: nothing is lost, nothing counted twice, what is wrong is found."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from hil.app.records import backup, examine, export, import_export, merge_record, retire, upgrade
from hil.core.ledger import CertificateIssued, Document, Removal, Rework
from hil.core.records import UnitVerdict, Verdict
from hil.errors import BenchError, UsageError
from hil.store.sqlite_store import SqliteStore
from hil.store.transfer import content

NOW = "2026-11-25T12:00:00Z"


@pytest.fixture
def other(tmp_path):
    with SqliteStore(str(tmp_path / "other.sqlite")) as store:
        yield store


@pytest.fixture
def filled(store, record):
    record("R1", opened="2026-11-01T10:00:00Z", retest_reason="")
    record("R2", "pass fail", "FAIL", opened="2026-11-02T10:00:00Z", serial="QM2-00002")
    record("R3", "pass", None, opened="2026-11-03T10:00:00Z", serial="QM2-00003")
    store.add_files("R1", [("report.html", "aa")])
    store.add(Rework(uid="W1", time=NOW, serial="QM2-00002", action="replaced", target="R5"))
    return store


def items(store):
    return list(content(store))


def test_export_and_import_bring_everything_back(filled, other, tmp_path):
    target = tmp_path / "all.jsonl"
    export(filled, target, now=NOW)
    merged = import_export(other, target)
    assert merged.added == ("R1", "R2", "R3")
    assert merged.entries == 1
    assert items(other) == items(filled)
    again = import_export(other, target)
    assert (again.added, again.known, again.entries) == ((), ("R1", "R2", "R3"), 0)
    assert items(other) == items(filled)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda lines: lines[:-1], "its end is missing; it was cut off"),
        (lambda lines: [*lines[:1], *lines[2:]], "was changed after it was written"),
        (lambda lines: [lines[0], lines[1].replace('"value":1.5', '"value":1.6'), *lines[2:]], "was changed after"),
        (lambda lines: [*lines, lines[1]], "was changed after it was written"),
        (
            lambda lines: ['{"hil_records":2,"kind":"real"}\n', *lines[1:]],
            "has format 2, and this program reads format 1",
        ),
        (lambda lines: ["{}\n"], "not a line of an export"),
        (lambda lines: ['{"a":1}\n'], "not an export of records"),
        (lambda lines: [], "not an export of records"),
        (lambda lines: [lines[0], lines[1].replace('"serial"', '"sereal"'), *lines[2:]], "cannot be understood"),
    ],
)
def test_exports_that_are_not_whole_change_nothing(filled, other, tmp_path, change, said):
    target = tmp_path / "all.jsonl"
    export(filled, target, now=NOW)
    with target.open() as file:
        lines = file.readlines()
    target.write_text("".join(change(lines)))
    with pytest.raises(UsageError, match=said):
        import_export(other, target)
    assert items(other) == []


def test_export_overwrites_nothing(filled, tmp_path):
    target = tmp_path / "all.jsonl"
    target.write_text("mine")
    with pytest.raises(UsageError, match=r"exists\. Name a new file"):
        export(filled, target, now=NOW)
    with pytest.raises(BenchError, match="cannot be written"):
        export(filled, tmp_path / "none" / "x.jsonl", now=NOW)
    assert not list(tmp_path.glob("*.new"))


def test_merge_takes_each_run_once_and_names_shared_units(filled, other, opened, reading, closed):
    other.open_run(replace(opened, run="E1", serial="QM2-00001", bench="east"))
    other.append("E1", reading)
    merged = merge_record(filled, other.database.where)
    assert (merged.added, merged.shared_units) == (("E1",), ("QM2-00001",))
    assert filled.run("E1") == other.run("E1")
    assert filled.next_attempt("QM2-00001") == 2  # E1 is still open and nothing failed
    other.append("E1", replace(reading, name="b", verdict=Verdict.FAIL))
    other.close_run(replace(closed, run="E1", verdict=UnitVerdict.FAIL))
    merged = merge_record(filled, other.database.where)
    assert (merged.added, merged.completed) == ((), ("E1",))
    assert filled.run("E1") == other.run("E1")
    assert filled.next_attempt("QM2-00001") == 3
    assert merge_record(filled, other.database.where).known == ("E1",)


def test_an_earlier_state_does_not_undo_a_later_one(filled, other, opened, reading):
    other.open_run(replace(opened, run="R1", opened="2026-11-01T10:00:00Z"))
    merged = merge_record(filled, other.database.where)
    assert merged.known == ("R1",)
    assert len(filled.run("R1").readings) == 2


def test_contradictions_are_refused_as_a_whole(filled, other, opened, reading):
    before = items(filled)
    other.open_run(replace(opened, run="A0", opened="2026-10-01T10:00:00Z"))
    other.open_run(replace(opened, run="R1", opened="2026-11-01T10:00:00Z", operator="somebody else"))
    other.add(Rework(uid="W1", time=NOW, serial="QM2-00002", action="cleaned", target="R5"))
    with pytest.raises(UsageError) as caught:
        merge_record(filled, other.database.where)
    assert str(caught.value) == (
        f"{other.database.where}: contradicts {filled.database.where} about run R1, rework W1. Nothing was merged."
    )
    assert items(filled) == before


def kept(store):
    """Everything in a record, in an order that does not depend on how it came there."""
    found = items(store)
    runs = sorted(
        (one for one in found if hasattr(one, "run") and hasattr(one, "files")), key=lambda one: one.run.opened.run
    )
    entries = sorted((one for one in found if hasattr(one, "uid")), key=lambda one: (one.KIND, one.uid))
    return runs, [replace(one, time="") if one.KIND == "document" else one for one in entries]


def test_two_benches_merged_either_way_hold_the_same(filled, other, opened, reading, closed, tmp_path):
    """The same unit with an attempt on each bench, a study of the same name on each, the maker's words on both."""
    words = Document(uid="words-1", time=NOW, name="words", content="checked")
    filled.add(words)
    other.add(replace(words, time="2026-11-24T09:00:00Z"))
    filled.add(Document(uid="jig-west", time=NOW, name="study jig", content="{}"))
    other.add(Document(uid="jig-east", time=NOW, name="study jig", content="{}"))
    east = replace(opened, run="E1", bench="east", opened="2026-11-04T10:00:00Z", planned=("a",))
    other.open_run(east)
    other.append("E1", reading)
    other.close_run(replace(closed, run="E1", planned=1, judged=1))
    before_west, before_east = kept(filled), kept(other)

    with SqliteStore(str(tmp_path / "copy.sqlite")) as west_into_east:
        merge_record(west_into_east, other.database.where)
        first = merge_record(west_into_east, filled.database.where)
        merge_record(filled, other.database.where)
        assert kept(west_into_east) == kept(filled)
        runs, entries = kept(filled)
        assert len(runs) == len(before_west[0]) + len(before_east[0]) == 4
        assert len(entries) == len(before_west[1]) + len(before_east[1]) - 1  # the words are there once
        assert first.shared_units == ("QM2-00001",)
        for store in (filled, west_into_east):
            attempts = [(one.run, one.bench) for one in store.summaries(serial="QM2-00001")]
            assert attempts == [("R1", "simulated"), ("E1", "east")]
            assert store.next_attempt("QM2-00001") == 3
            assert merge_record(store, other.database.where).added == ()
        assert kept(west_into_east) == kept(filled)


def test_real_and_simulated_records_do_not_merge(filled, other, opened):
    other.open_run(replace(opened, run="X", simulated=False))
    with pytest.raises(UsageError, match=r"holds real runs, and .* holds simulated ones"):
        merge_record(filled, other.database.where)


def test_backup_while_somebody_writes(filled, tmp_path, reading):
    target = tmp_path / "backup.sqlite"
    backup(filled.database.where, target)
    filled.append("R3", replace(reading, name="later"))
    with SqliteStore(str(target), read_only=True) as copy:
        assert len(copy.run("R3").readings) == 1
        assert copy.run("R1") == filled.run("R1")
    with pytest.raises(UsageError, match=r"exists\. Name a new file for the backup"):
        backup(filled.database.where, target)


def test_retired_runs_are_in_the_archive_and_stay_accounted_for(filled, other, tmp_path):
    archive = tmp_path / "old.jsonl"
    whole = {item.run.opened.run: item for item in items(filled)[:3]}
    moved = retire(filled, before="2026-11-02T12:00:00Z", archive=archive, by="K. Holm", reason="ten years", now=NOW)
    assert moved == ("R1", "R2")
    assert [one.run for one in filled.summaries()] == ["R3"]
    assert filled.next_attempt("QM2-00002") == 2
    assert filled.next_attempt("QM2-00002", scope="boxed") == 1
    removals = filled.entries(Removal)
    assert [(one.run, one.verdict, one.author, one.archive) for one in removals] == [
        ("R1", "PASS", "K. Holm", "old.jsonl"),
        ("R2", "FAIL", "K. Holm", "old.jsonl"),
    ]
    import_export(other, archive)
    assert other.run("R1") == whole["R1"].run
    assert import_export(filled, archive).retired == ("R1", "R2")
    assert list(examine(filled)) == [finding for finding in examine(filled) if finding.severity == "note"]


def test_retire_refusals(filled, tmp_path):
    def go(**changes):
        known = {"before": "2026-11-02", "archive": tmp_path / "a.jsonl", "by": "K", "reason": "r", "now": NOW}
        return retire(filled, **{**known, **changes})

    with pytest.raises(UsageError, match="needs a name and a reason"):
        go(by="")
    with pytest.raises(UsageError, match="wants a date like 2016-01-01, not 'soon'"):
        go(before="soon")
    assert go(before="2000-01-01") == ()
    (tmp_path / "a.jsonl").touch()
    with pytest.raises(UsageError, match="exists"):
        go()
    assert len(filled.summaries()) == 3


def test_upgrade_of_a_record_of_today(store):
    assert upgrade(store.database.where, now=NOW) == ()


def findings(store):
    return [str(finding) for finding in examine(store)]


def test_a_sound_record_has_only_notes(filled):
    assert findings(filled) == ["note: R3: was interrupted after 1 of 2 readings"]


def test_what_was_tampered_with_is_found(filled):
    with filled.database.transaction():
        filled.database.execute("UPDATE readings SET value = 2.5 WHERE run_no = 1 AND position = 0")
        filled.database.execute("UPDATE closings SET verdict = 'PASS' WHERE run_no = 2")
        filled.database.execute("DELETE FROM details WHERE run_no = 3")
        filled.database.execute('INSERT INTO details VALUES (3, 0, \'{"simulated":false,"time":"2026-11-03"}\')')
    assert findings(filled) == [
        "error: R1: a: passed, but 2.5 lies outside of its limits",
        "error: R2: was closed as PASS, but its readings say FAIL (failed: b)",
        "error: R3: a: mixes simulated and real data in one run",
        "error: R3: holds a time that is not an ISO 8601 time with zone",
        "note: R3: was interrupted after 1 of 2 readings",
    ]


def test_readings_that_have_gone_are_found(filled):
    with filled.database.transaction():
        filled.database.execute("DELETE FROM details WHERE run_no = 1 AND position = 0")
        filled.database.execute("DELETE FROM readings WHERE run_no = 1 AND position = 0")
    assert findings(filled)[:2] == [
        "error: R1: 1 of its readings have gone from the record",
        "error: R1: was closed as PASS, but its readings say INCOMPLETE (not measured: a)",
    ]


def test_certificates_without_their_run(filled):
    def certificate(uid, **changes):
        filled.add(CertificateIssued(uid=uid, time=NOW, serial="S", sha256="0", **{"run": "R1", **changes}))

    certificate("C1")
    certificate("C2", run="R9")
    certificate("C3", predecessor="C1", reason="typing error")
    certificate("C4", predecessor="C1")
    certificate("C5", predecessor="C9", reason="r")
    assert findings(filled)[1:] == [
        "error: certificate C2: its run R9 is not in the record",
        "error: certificate C4: is an amendment without a reason",
        "error: certificate C5: amends C9, which is not in the record",
        "error: certificate C1: was amended 2 times: C3, C4; only one of them can stand",
    ]


def test_an_export_is_json_lines(filled, tmp_path):
    target = tmp_path / "all.jsonl"
    export(filled, target, now=NOW)
    first, *_, last = [json.loads(line) for line in Path(target).read_text().splitlines()]
    assert first == {"hil_records": 1, "kind": "simulated", "exported": NOW}
    assert (last["end"]["runs"], last["end"]["entries"]) == (3, 1)


def test_runs_that_cannot_be_understood_are_found(filled):
    with filled.database.transaction():
        filled.database.execute("UPDATE details SET more = '{\"colour\":1}' WHERE run_no = 1 AND position = 0")
        filled.database.execute("UPDATE details SET more = 'x' WHERE run_no = 2 AND position = 0")
    first, second, _ = findings(filled)
    where = filled.database.where
    assert first.startswith(f"error: R1: {where}: run R1 cannot be understood (Reading.__init__() got an unexpected")
    assert second.startswith(f"error: R2: {where}: run R2 cannot be understood (Expecting value: line 1")
    assert first.endswith("It is damaged, or from a newer version: update hil, or put back a backup.")
