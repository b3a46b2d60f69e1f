"""`hil coverage` on a handful of faults, resumed; an order of rows through `hil check`; what is refused."""

import csv
import json

import pytest

from hil.cli.main import main

SMALL = ["--component", "R9", "--class", "missing", "--class", "decade", "--good", "1", "--jobs", "1"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("coverage")


@pytest.fixture(scope="module")
def arguments(folder):
    return ["coverage", *SMALL, "--units", "1", "--out", str(folder)]


def test_faults_are_tried_and_kept_so_that_a_second_call_tries_none(arguments, folder, capsys):
    files = ["--order", str(folder / "order.toml"), "--csv", str(folder), "--picture", str(folder / "board.svg")]
    assert main([*arguments, "--no-look", "--json", *files]) == 0
    said, progress = capsys.readouterr()
    assert "0 of 4 units were tried before" in progress
    found = json.loads(said)
    assert (found["trials"], found["planned_trials"], found["simulated"]) == (4, 4, True)
    faults = {one["fault"]: one for one in found["faults"]}
    assert set(faults) == {"R9=open", "R9=x10", "R9=x0.1"}
    assert all(one["state"] == "caught" for one in faults.values())
    assert "r_comp" in faults["R9=open"]["failed"]
    with (folder / "coverage_faults.csv").open(newline="") as lines:
        assert {row["fault"]: row["caught"] for row in csv.DictReader(lines)} == dict.fromkeys(faults, "1")
    assert (folder / "board.svg").read_bytes().startswith(b"<?xml")

    assert main([*arguments, "--no-look", "--json"]) == 0
    again, progress = capsys.readouterr()
    assert "4 of 4 units were tried before" in progress
    assert json.loads(again) == found


def test_more_units_go_on_from_there(arguments, capsys):
    assert main([*arguments[:-2], "--units", "2", "--class", "short", *arguments[-2:], "--no-look", "--no-run"]) == 0
    said, progress = capsys.readouterr()
    assert "4 of 9 units were tried before" in progress
    assert "4 of 9 units tried" in said


def test_an_order_reaches_the_check(folder, capsys):
    order = str(folder / "order.toml")
    check = ["check", "QM2-1", "--out", str(folder / "check"), "--fault", "R9=open", "--first-fail", "--json"]
    assert main([*check, "--order", order]) == 1
    readings = json.loads(capsys.readouterr().out)["readings"]
    assert readings[-1]["name"] == "r_comp"
    assert len(readings) < 21  # as planned it is the twenty-first row


def test_an_order_that_powers_before_it_has_measured_is_refused(folder, capsys):
    lines = (folder / "order.toml").read_text().splitlines()
    place = lines.index("rows = [") + 1
    wrong = [*lines[:place], '    "first_current",', *(line for line in lines[place:] if '"first_current"' not in line)]
    (folder / "wrong.toml").write_text("\n".join(wrong))
    code = main(["check", "QM2-2", "--out", str(folder / "check"), "--order", str(folder / "wrong.toml")])
    assert code == 4
    assert "first_current stands before" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--component", "R99"], "--component R99: there is no such component on board qm2."),
        (["--class", "mising"], "--class mising: there is no such class of faults. Did you mean 'missing'"),
        (["--units", "0"], "--units 0: must be at least 1."),
        (["--bench", "by_hand"], "is not simulated by this process."),
    ],
)
def test_what_is_refused(tmp_path, capsys, options, said):
    assert main(["coverage", "--out", str(tmp_path), *options]) == 4
    assert said in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
