"""The commands that keep records and limits: what they print and how they end."""

import pytest

from hil.cli.main import main
from hil.store.sqlite_store import SqliteStore


@pytest.fixture
def folder(store, record, tmp_path, monkeypatch):
    """A folder with a record of simulated runs in hil-out."""
    monkeypatch.chdir(tmp_path)
    record("R1", opened="2026-11-01T10:00:00Z")
    record("R2", "pass fail", "FAIL", opened="2026-11-02T10:00:00Z", serial="QM2-00002")
    (tmp_path / "hil-out").mkdir()
    with SqliteStore("hil-out/simulated.sqlite") as target:
        from hil.store.transfer import content, merge

        merge(target, "simulated", content(store), label="x")
    return tmp_path


def said(capsys, *arguments, code=0):
    assert main(arguments) == code
    return capsys.readouterr()


def test_trace(folder, capsys):
    out = said(capsys, "trace", "c_1p", "--since", "2026-11-02").out
    assert out.splitlines() == [
        "QM2-00002  2026-11-02T10:00:00  FAIL        stands  run R2",
        "    c_1p, QI-K-1",
        "1 units, 1 runs and 0 certificates rest on c_1p",
    ]
    assert said(capsys, "trace", "c_1p", "--csv", "--readings").out.splitlines()[1] == (
        'QM2-00001,R1,2026-11-01T10:00:00Z,PASS,True,"c_1p, QI-K-1",,a b'
    )
    assert "is no part, instrument or certificate" in said(capsys, "trace", "c_9p", code=4).err


def test_check_of_the_record(folder, capsys):
    assert said(capsys, "records", "check").out == "hil-out/simulated.sqlite: 0 errors, 0 warnings, 0 notes\n"
    with SqliteStore("hil-out/simulated.sqlite") as store, store.database.transaction():
        store.database.execute("UPDATE closings SET verdict = 'PASS'")
    out = said(capsys, "records", "check", code=3).out
    assert "error: R2: was closed as PASS, but its readings say FAIL (failed: b)" in out


def test_backup_export_import_merge_retire_upgrade(folder, capsys):
    assert said(capsys, "records", "backup", "b.sqlite").out == "b.sqlite: a sound copy of hil-out/simulated.sqlite\n"
    assert said(capsys, "records", "export", "e.jsonl").out == "e.jsonl: everything in hil-out/simulated.sqlite\n"
    done = "0 completed, 0 known already, 0 archived before, 0 new entries"
    out = said(capsys, "records", "import", "e.jsonl", "--simulated", "--out", "new").out
    assert out == f"e.jsonl -> new/simulated.sqlite: 2 new runs, {done}\n"
    out = said(capsys, "records", "merge", "b.sqlite", "--simulated", "--out", "newer").out
    assert out == f"b.sqlite -> newer/simulated.sqlite: 2 new runs, {done}\n"
    retire = ["records", "retire", "--before", "2026-11-02", "--by", "K", "--reason", "r", "--archive"]
    assert said(capsys, *retire, "old.jsonl").out == "1 run moved to old.jsonl\n"
    assert said(capsys, *retire, "older.jsonl").out == "no run is that old; nothing was moved\n"
    assert said(capsys, "records", "upgrade").out == "hil-out/simulated.sqlite: has the shape of today\n"


def test_a_backup_is_one_file_and_can_be_used_in_its_place(folder, capsys):
    said(capsys, "records", "backup", "b.sqlite")
    assert sorted(path.name for path in folder.glob("b.sqlite*")) == ["b.sqlite"]
    assert (
        said(capsys, "records", "check", "--records", "./b.sqlite").out == "b.sqlite: 0 errors, 0 warnings, 0 notes\n"
    )


@pytest.mark.parametrize("action", ["import", "merge"])
def test_simulated_runs_never_go_where_real_ones_are(folder, capsys, action):
    said(capsys, "records", "backup", "copy.sqlite")
    said(capsys, "records", "export", "copy.jsonl")
    source = "copy.jsonl" if action == "import" else "copy.sqlite"
    assert said(capsys, "records", action, source, code=4).err == (
        f"hil: {source}: holds simulated runs. Give --simulated: they go into the record of their kind.\n"
    )
    assert not (folder / "hil-out/records.sqlite").exists()


@pytest.mark.parametrize(
    ("action", "words"), [("import", "cannot be read: No such file"), ("merge", "there is no such record")]
)
def test_a_source_that_is_not_there_leaves_no_empty_record(tmp_path, monkeypatch, capsys, action, words):
    monkeypatch.chdir(tmp_path)
    assert words in said(capsys, "records", action, "nothing", code=4).err
    assert list(tmp_path.iterdir()) == []


def test_no_record(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert "no record there. Check a unit first" in said(capsys, "records", "check", code=4).err


LIMITS = 'format = 1\nboard = "b"\nrevision = "A"\nattempts = 3\n[scopes]\nfull = "all"\n[limit.x]\nunit = "V"\n'


def test_limits(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    own = tmp_path / "own.toml"
    own.write_text(LIMITS + 'upper = "1 V"\nreason = "r"\n')
    assert said(capsys, "limits", "diff", "own.toml").out == "never released\n"
    assert said(capsys, "limits", "releases", "own.toml").out == "own.toml, revision A: not released\n"
    out = said(capsys, "limits", "release", "own.toml", "--by", "K. Holm", "--reason", "first").out
    assert out.startswith("b limits, revision A, released by K. Holm on 20")
    assert said(capsys, "limits", "diff", "own.toml").out.endswith("  nothing that matters has changed\n")
    assert said(capsys, "limits", "releases", "own.toml").out.endswith("b A  K. Holm: first  <- this file\n")
    (tmp_path / "new.toml").write_text(LIMITS + 'upper = "2 V"\nreason = "r"\n')
    assert said(capsys, "limits", "diff", "own.toml", "new.toml").out == (
        "  x: upper limit 2.00000 V instead of 1.00000 V, wider by 1.00 V (looser)\n"
    )
    assert (
        "is released already" in said(capsys, "limits", "release", "own.toml", "--by", "K", "--reason", "r", code=4).err
    )


def test_rework(folder, capsys):
    done = said(
        capsys, "rework", "QM2-00002", "--action", "replaced", "--target", "R5", "--operator", "A", "--note", "n"
    )
    assert done.out.endswith("  replaced R5  after run R2  A  n\n")
    assert said(capsys, "rework", "QM2-00002").out == done.out
    assert said(capsys, "rework", "QM2-00001").out == ""
    assert "is not in hil-out/simulated.sqlite" in said(capsys, "rework", "QM2-9", "--action", "x", code=4).err
