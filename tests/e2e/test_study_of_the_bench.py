"""``hil study`` on the command line: a study from plan to page, and two benches that do not agree."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.app.budgets import budgets_of
from hil.app.check_unit import Order, check_units
from hil.app.settings import read_settings
from hil.cli.main import main
from hil.runner import run_unit
from hil.suite import ROOT

Call = Callable[..., tuple[int, str, str]]
SHIPPED = (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """Run a command in an empty folder; (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> tuple[int, str, str]:
        code = main(list(words))
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_a_study_from_plan_to_page(call: Call, tmp_path: Path) -> None:
    code, out, _ = call(
        "study", "plan", "jig", "--units", "U1,U2", "--operators", "Ann, Ben", "--repeats", "2", "--seed", "4",
        "--only", "contact_g*", "--fault", "bench.operator.Ben.contact=80mohm",
    )  # fmt: skip
    assert code == 0
    assert "2 units × 2 operators × 2 repeats, 1 checks, seed 4  SIMULATED" in out
    codes = {line.split()[1]: line.split()[0] for line in out.splitlines() if line.startswith("  ")}
    assert set(codes) == {"U1", "U2"}

    code, out, err = call("study", "run", "jig")
    assert (code, out) == (0, "")
    turns = [line for line in err.splitlines() if " of 8: round" in line]
    assert len(turns) == 8
    assert not any(serial in err for serial in codes)  # nobody at the bench learns which unit it is
    assert "8 runs taken, 0 of 8 missing" in err

    code, out, _ = call("study", "evaluate", "jig", "--json", "--plot", "jig.png")
    assert code == 0
    found = json.loads(out)
    assert (found["design"], found["simulated"], len(found["checks"])) == ("crossed", True, 1)
    check = found["checks"][0]
    assert check["dominant"] == "operator"
    assert "the operators dominate" in check["words"]
    assert check["anova"]["components"]["operator"]["sd"] == pytest.approx(0.08 / 2**0.5, rel=0.2)
    assert check["average_range"]["method"] == "range"
    assert (tmp_path / "jig.png").read_bytes().startswith(b"\x89PNG")

    code, _, err = call("study", "run", "jig")
    assert code == 0
    assert "0 runs taken" in err
    assert call("records", "check", "--simulated")[0] == 0
    assert call("check", "U1", "--only", "contact_g*")[0] == 2  # the study has used up no attempt


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("study", "evaluate", "jug", "--simulated"), "there is no study 'jug'"),
        (("study", "run", "jug"), "there is no study 'jug'"),
        (("study", "evaluate", "jig", "--plot", "jig.txt"), "the name must end with .svg, .png or .pdf"),
        (("study", "evaluate", "jig", "--confidence", "100"), "choose 50 or more and less than 100"),
        (("study", "plan", "jig", "--units", "A,B", "--operators", "Ann"), "not 2 units, 1 operators"),
        (
            ("study", "plan", "jig", "--units", "A,B", "--operators", "Ann,Ben", "--fault", "bench.jig.mood=1"),
            "known quantities: capacitance, inductance, resistance, contact",
        ),
    ],
)
def test_usage(call: Call, words: tuple[str, ...], said: str) -> None:
    call("check", "Z1", "--only", "contact_gnd")  # so that there is a record
    code, _, err = call(*words)
    assert code == 4
    assert said in err


def check_all(bench: str, seed: int, *faults: str) -> None:
    """Three units on a bench, without certificates and pages."""
    Path(f"{bench}.toml").write_text(SHIPPED.replace('bench = "simulated"', f'bench = "{bench}"', 1))
    order = Order(
        serials=("B1", "B2", "B3"), settings=read_settings({"bench": f"./{bench}.toml", "out": bench}), seed=seed,
        now="2026-11-25T10:00:00.000+00:00", faults=faults,
    )  # fmt: skip
    for outcome in check_units(order, run_unit, budget_for=budgets_of):
        assert outcome.exit_code in (0, 1)


def test_two_benches_one_of_them_off(call: Call) -> None:
    check_all("west", 11)
    check_all("east", 12, "bench.voltmeter.voltage=+1%")
    code, out, _ = call("records", "merge", "east/simulated.sqlite", "--simulated", "--out", "west")
    assert code == 0
    assert "3 new runs" in out
    assert "units with runs from both: B1, B2, B3" in out
    code, out, _ = call("study", "benches", "west", "east", "--simulated", "--out", "west", "--json")
    assert code == 0
    found = json.loads(out)
    assert found["benches"] == ["west", "east"]
    rows = {row["name"]: row for row in found["checks"]}
    rail = rows["rail_5v_nominal"]
    assert rail["finding"] == "differ"
    assert rail["off_by"] == pytest.approx(0.05, rel=0.05)
    assert all(abs(value) > 1 for value in rail["e_n"].values())
    assert rows["c_1n"]["finding"] == "agree"
    (volts,) = [one for one in found["patterns"] if one["unit"] == "V"]
    assert volts["ratio"] == pytest.approx(0.01, rel=0.1)
    assert any(
        words.startswith("in V: no check standard in V was read on west and east") for words in found["who_moved"]
    )
    # The golden unit, five mornings on each bench, tells which of them has moved.
    for bench, faults in (("west", ()), ("east", ("--fault", "bench.voltmeter.voltage=+1%"))):
        for morning in range(5):
            spoilt = faults if morning == 4 else ()
            call("bench", "--bench", f"./{bench}.toml", "--out", "west", *spoilt)
    code, out, _ = call("study", "benches", "west", "east", "--simulated", "--out", "west")
    assert code == 0
    assert "in V: east is the one that is off: by its check standards it has moved (golden_5v 5" in out
    assert "and west has not" in out
    code, _, err = call("study", "benches", "west", "north", "--simulated", "--out", "west")
    assert code == 4
    assert "no run of bench 'north'. Benches there: west, east." in err
