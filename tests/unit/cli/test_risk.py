"""``hil risk``: a shipped process, one of one's own, one from a recorded lot; its output and how it ends."""

import json
from dataclasses import replace

import pytest

from hil.cli.main import main
from hil.core.records import RunClosed, RunOpened, UnitVerdict
from hil.files.process import parse_process
from hil.store.sqlite_store import SqliteStore

FEW = ("--units", "4000", "--scope", "serial_only")


def said(capsys, *arguments, code=0):
    assert main(arguments) == code
    return capsys.readouterr()


def test_the_shipped_process_runs_by_its_name(capsys):
    out = said(capsys, "risk", "--process", "qm2", "--only", "c_*", *FEW).out
    assert "process fixtures/processes/qm2.toml, 4000 units simulated; shares of all units" in out
    assert "whole unit" in out
    assert out.rstrip().endswith("prediction and count agree (exact intervals, 99% simultaneous)")


def test_as_json_and_drawn(capsys, tmp_path):
    plot = tmp_path / "risk.png"
    found = json.loads(said(capsys, "risk", "--only", "l_*", "--json", "--plot", str(plot), *FEW).out)
    assert (found["process"], found["units"]) == ("assumed", 4000)
    assert {check["name"] for check in found["checks"]} >= {"l_1u", "l_100m"}
    assert plot.stat().st_size > 10_000


def test_what_is_left_out_and_how_to_have_it_counted(capsys):
    out = said(capsys, "risk", "--only", "stored_* self_test k1_stops", *FEW).out
    assert "left out, the reading is exact and its limits are the same: self_test, stored_reload" in out
    assert "left out, one limit only, and no process is given: k1_stops" in out
    assert "(--process FILE): 'hil risk --from-lot LOT --save-process FILE' writes one" in out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--units", "0"), "--units 0: at least one unit is needed."),
        (("--save-process", "x.toml"), "--save-process needs --from-lot LOT, whose process it writes."),
        (("--process", "none"), "process 'none': not shipped with hil."),
        (("--process", "none.toml"), "process 'none.toml': there is no file none.toml."),
        (("--from-lot", "x"), "no record there"),
    ],
)
def test_refused(capsys, tmp_path, monkeypatch, words, message):
    monkeypatch.chdir(tmp_path)
    assert message in said(capsys, "risk", *words, code=4).err


@pytest.fixture
def lot(tmp_path, monkeypatch, opened: RunOpened, closed: RunClosed, reading):
    """Twelve recorded units of lot L1."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "hil-out").mkdir()
    with SqliteStore("hil-out/simulated.sqlite") as store:
        for number in range(12):
            run = f"R{number}"
            store.open_run(replace(opened, run=run, serial=f"Q-{number}", faults=()))
            for name, nominal in (("c_10p", 10e-12), ("c_1n", 1e-9), ("c_100n", 100e-9)):
                off = 1e-3 * (number - 5.5) / 6
                store.append(run, replace(reading, name=name, unit="F", value=nominal * (1 + off), nominal=nominal))
            store.close_run(replace(closed, run=run, verdict=UnitVerdict.PASS))


def test_the_process_of_a_recorded_lot(capsys, lot, tmp_path):
    words = ("risk", "--from-lot", "L1", "--simulated", "--only", "c_*", *FEW)
    out = said(capsys, *words, "--save-process", "mine.toml").out
    assert out == "mine.toml: process of lot L1\n"
    process = parse_process("mine.toml", (tmp_path / "mine.toml").read_text(encoding="utf-8"))
    assert [entry.pattern for entry in process.checks] == ["c_10p", "c_1n", "c_100n"]
    assert [(entry.name, entry.pattern) for entry in process.shared] == [("Ccal", "c_*")]
    assert "process lot L1, 4000 units simulated" in said(capsys, *words).out
    assert "process mine.toml, 4000 units" in said(capsys, "risk", "--process", "mine.toml", "--only", "c_*", *FEW).out


def test_a_lot_that_is_not_there(capsys, lot):
    err = said(capsys, "risk", "--from-lot", "L2", "--simulated", "--only", "c_*", *FEW, code=4).err
    assert "lot 'L2': 0 units are too few for a process; 10 are needed." in err
