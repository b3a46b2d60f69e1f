"""``hil budget``: rows with bars, and as JSON."""

import json

from hil.cli.main import main


def said(capsys, *arguments, code=0):
    assert main(arguments) == code
    return capsys.readouterr()


def test_the_budget_of_a_row(capsys):
    out = said(capsys, "budget", "c_100p").out
    assert out.startswith("c_100p: capacitance, 100 pF")
    assert "part: certificate" in out
    assert "█" in out
    assert "test uncertainty ratio" in out
    assert "(JCGM 101 clause 8)" in out


def test_as_json(capsys):
    (line,) = said(capsys, "budget", "timebase.as_left", "--json").out.splitlines()
    found = json.loads(line)
    assert (found["format"], found["name"], found["unit"]) == (1, "timebase.as_left", "")
    assert [row["name"] for row in found["rows"]] == [
        "generator: accuracy", "meter: resolution", "meter: drift of the timebase",
    ]  # fmt: skip
    assert found["comparison"]["is_validated"]


def test_a_row_that_is_exact(capsys):
    assert "no row of that name has a budget" in said(capsys, "budget", "timebase.reload", code=4).err


def test_a_record_that_is_not_there(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for option in ("--run", "--at-best"):
        assert "no record there" in said(capsys, "budget", "c_1n", option, "Q2-1", code=4).err
