"""``hil limits ratios``, and limits that leave no acceptance zone: said before anything is touched."""

import json

import pytest

from hil.cli.main import main
from hil.suite import ROOT

GUARDED = """
[limit.c_guarded]
unit = "F"
tolerance = "0.07 pF"
part = "c_100p"
reason = "a tolerance narrower than both guard bands"
rule = "guard_band"
"""


def said(capsys, *arguments, code=0):
    assert main(arguments) == code
    return capsys.readouterr()


@pytest.fixture
def guarded(tmp_path, monkeypatch):
    """The shipped limits and one that nothing can pass."""
    monkeypatch.chdir(tmp_path)
    text = (ROOT / "limits/qm2.toml").read_text(encoding="utf-8")
    (tmp_path / "own.toml").write_text(text + GUARDED, encoding="utf-8")
    return len(text.splitlines()) + 2  # line of its table


def test_limits_that_are_weak_are_listed_with_what_would_help(capsys):
    out = said(capsys, "limits", "ratios", "qm2", "--scope", "serial_only", "--least", "6").out
    assert "f_supply_low" in out
    assert "meter: drift between the gates" in out
    assert "limits have a test uncertainty ratio (tolerance over 2U) below 6; 0 decide nothing" in out
    assert "have none: one-sided, exact, or measured by nothing of stated accuracy" in out


def test_as_json(capsys, guarded):
    lines = said(capsys, "limits", "ratios", "own.toml", "--json", "--all").out.splitlines()
    rows = {row["name"]: row for row in map(json.loads, lines)}
    assert next(iter(rows)) == "c_guarded"  # the worst first
    found = rows["c_guarded"]
    assert (found["rule"], found["decides"], found["unit"]) == ("guard_band", False, "F")
    assert found["ratio"] == pytest.approx(0.07e-12 / found["expanded_uncertainty"])
    assert found["improvement"].startswith("part: certificate")
    assert len(rows) > 60


def test_a_ratio_wanted_is_more_than_zero(capsys):
    assert "--least 0: a ratio is more than zero" in said(capsys, "limits", "ratios", "--least", "0", code=4).err


@pytest.mark.parametrize("command", [("plan",), ("check", "Q2-1", "--only", "c_*")])
def test_no_acceptance_zone_is_a_usage_error_before_anything_is_touched(capsys, guarded, tmp_path, command):
    err = said(capsys, *command, "--limits", "own.toml", code=4).err
    assert f"own.toml:{guarded}: limit.c_guarded: no acceptance zone is left: U = 90 fF" in err
    assert not list(tmp_path.rglob("*.sqlite"))  # no run was opened
