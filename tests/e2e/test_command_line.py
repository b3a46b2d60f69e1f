"""The command line's contracts: exit codes, JSON Lines, settings, where records go; on the simulated bench."""

import json
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.cli.main import COMMANDS, main
from hil.suite import ROOT

_SHIPPED = (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")
UNCERTAINTY = _SHIPPED[_SHIPPED.index("\n[uncertainty.jig]") : _SHIPPED.index("\n[selector.parts]")]
REAL_BENCH = f"""format = 1
bench = "west"
kit = "demo"
visa_library = "@py"
[meter]
port = "/dev/ttyUSB0"
[role.operator]
{UNCERTAINTY}"""
Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """Run a command in an empty folder; (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> tuple[int, str, str]:
        code = main(list(words))
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def units(out: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in out.splitlines()]


def test_a_good_unit_passes_with_everything_it_leaves(call: Call, tmp_path: Path) -> None:
    code, out, err = call("check", "Q2-00001", "--json", "--operator", "A. Example", "--lot", "26-11")
    assert code == 0
    (unit,) = units(out)
    assert (unit["format"], unit["serial"], unit["verdict"], unit["scope"]) == (1, "Q2-00001", "PASS", "full")
    assert (unit["attempt"], unit["simulated"]) == (1, True)
    assert len(unit["readings"]) >= 70
    assert len({reading["name"] for reading in unit["readings"]}) == len(unit["readings"])
    assert {"name", "value", "unit", "lower", "upper", "verdict"} <= set(unit["readings"][0])
    assert err.splitlines()[0].startswith("SIMULATED")
    assert err.splitlines()[-1].startswith("SIMULATED")
    folder = tmp_path / "hil-out"
    assert (folder / "simulated.sqlite").is_file()
    assert not (folder / "records.sqlite").exists()
    suffixes = {path.suffix for path in (folder / "Q2-00001" / unit["run"]).iterdir()}
    assert suffixes == {".pdf", ".json", ".xml", ".csv", ".html"}
    assert all(Path(path).is_file() for path in unit["files"])
    assert "SIMULATED" in (folder / "Q2-00001" / unit["run"] / "readings.csv").read_text().splitlines()[1]


def test_a_faulty_unit_fails(call: Call) -> None:
    code, out, _ = call("check", "Q2-00001", "--json", "--fault", "R14=open")
    assert code == 1
    assert units(out)[0]["verdict"] == "FAIL"


def test_part_of_the_rows_is_incomplete_at_best(call: Call) -> None:
    code, out, _ = call("check", "Q2-00001", "--json", "--only", "rail_*")
    assert code == 2
    assert units(out)[0]["reason"] == "only 'rail_*' was asked for"


def test_several_units_end_with_the_worst(call: Call) -> None:
    code, out, _ = call("check", "Q2-00001", "Q2-00002", "--json", "--only", "rail_*", "--fault", "U1=open")
    assert code == 1
    assert len(units(out)) == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check"], "the following arguments are required: SERIAL"),
        (["check", "Q2-1", "--no-such-option"], "unrecognized arguments: --no-such-option"),
        (["check", "Q2-1", "--scope", "everything"], "scope 'everything': not in limits/qm2.toml. Scopes there: full"),
        (["check", "Q2-1", "--only", "nothing_*"], "--only 'nothing_*' matches no row"),
        (["check", "Q2-1", "--limits", "missing.toml"], "there is no file missing.toml"),
        (["check", "Q2-1", "--bench", "nowhere"], "bench 'nowhere': not shipped with hil."),
        (["check", "Q2-1", "--fault", "R999=open"], "R999"),
        (["check", "Q2-1", "--fault", "R14=melted"], "open"),
        (["check", "Q2-1", "Q2-1"], "serial number Q2-1 is given twice"),
        (["show", "no-such-run"], "no record there"),
    ],
)
def test_what_is_wrong_before_anything_is_touched_is_usage(call: Call, words: list[str], said: str) -> None:
    code, out, err = call(*words)
    assert code == 4
    assert out == ""
    assert said in err


def test_a_typing_error_in_the_limits_names_file_line_key_and_remedy(call: Call, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(
        'format = 1\nboard = "qm2"\nrevision = "A"\nattempts = 3\n[scopes]\nfull = "all"\n'
        '[limit.rail_5v]\nunit = "V"\nlower = "4.9 V"\nuper = "5.1 V"\nreason = "x"\n'
    )
    code, _, err = call("check", "Q2-00001", "--limits", "mine.toml")
    assert code == 4
    assert "mine.toml:10: limit.rail_5v.uper: " in err
    assert "Did you mean 'upper'" in err


def test_a_retest_needs_a_reason_and_attempts_end(call: Call) -> None:
    code, out, _ = call("check", "Q2-00007", "--json", "--retest", "some of these units were checked before")
    assert code == 0
    assert "Reason for retest" not in _item(units(out)[0])  # this one was not
    code, out, err = call("check", "Q2-00008", "Q2-00007", "--json")
    assert (code, out) == (4, "")  # nothing is touched, the unit before it neither
    assert "attempt 2 needs a reason. Give --retest 'REASON'." in err
    for attempt in (2, 3):
        code, out, _ = call("check", "Q2-00007", "--json", "--retest", "customer asked")
        assert (code, units(out)[0]["attempt"]) == (0, attempt)
        assert _item(units(out)[0])["Reason for retest"] == "customer asked"
    code, _, err = call("check", "Q2-00007", "--retest", "once more")
    assert code == 4
    assert "all 3 attempts" in err


def _item(unit: dict[str, Any], block: str = "item") -> dict[str, str]:
    """Lines of a block of the certificate's data."""
    path = next(path for path in unit["files"] if path.endswith(".json"))
    return {line["label"]: line["text"] for line in json.loads(Path(path).read_text(encoding="utf-8"))[block]}


def test_the_certificate_tells_where_the_bench_stands(call: Call) -> None:
    _, out, _ = call("check", "Q2-00001", "--json")
    assert _item(units(out)[0], "conditions")["Place"] == "simulated; bench simulated"


def test_a_copy_of_a_certificate_is_identical(call: Call, tmp_path: Path) -> None:
    _, out, _ = call("check", "Q2-00001", "--json")
    (unit,) = units(out)
    pdf = next(Path(path) for path in unit["files"] if path.endswith(".pdf"))
    before = pdf.read_bytes()
    pdf.unlink()
    assert call("certify", unit["run"])[0] == 0
    assert pdf.read_bytes() == before


def test_show_gives_a_recorded_run(call: Call) -> None:
    _, out, _ = call("check", "Q2-00001", "--json", "--only", "rail_*")
    run = units(out)[0]["run"]
    code, out, _ = call("show", run, "--csv")
    assert code == 0
    assert out.splitlines()[0].startswith("simulated,run,serial")
    code, out, _ = call("show", run, "--json")
    assert units(out)[0]["run"] == run


def test_plan_lists_rows_and_touches_nothing(call: Call, tmp_path: Path) -> None:
    code, out, _ = call("plan", "--json")
    assert code == 0
    plan = json.loads(out)
    assert len(plan["rows"]) >= 70
    assert plan["unread"] == [] and plan["missing_roles"] == []  # noqa: PT018
    assert not (tmp_path / "hil-out").exists()


def test_plan_of_a_bench_without_instruments_says_what_is_missing(call: Call, tmp_path: Path) -> None:
    (tmp_path / "poor.toml").write_text(REAL_BENCH)
    code, out, _ = call("plan", "--bench", "poor.toml", "--json")
    assert code == 2
    assert ["voltmeter", "contact_gnd"] in json.loads(out)["missing_roles"]


@pytest.mark.parametrize("option", ["--seed=3", "--fault=R14=open"])
def test_simulation_options_are_refused_on_a_real_bench(call: Call, tmp_path: Path, option: str) -> None:
    (tmp_path / "real.toml").write_text(REAL_BENCH)
    code, _, err = call("check", "Q2-00001", "--bench", "real.toml", option)
    assert code == 4
    assert "real.toml" in err
    assert "Leave it out, or choose --bench simulated" in err


def test_a_folder_that_cannot_be_made_is_said_before_anything_is_touched(call: Call, tmp_path: Path) -> None:
    (tmp_path / "hil-out").mkdir()
    (tmp_path / "hil-out" / "Q2-00001").write_text("")
    code, out, err = call("check", "Q2-00001", "--only", "rail_*")
    assert (code, out) == (4, "")
    assert "cannot be made (Not a directory). Choose another folder with --out." in err


def test_settings_come_from_options_then_the_file_then_defaults(call: Call, tmp_path: Path) -> None:
    (tmp_path / "hil.toml").write_text('format = 1\nout = "from-file"\noperator = "file"\n')
    code, out, _ = call("check", "Q2-00001", "--json", "--only", "rail_*", "--operator", "option")
    assert code == 2
    assert (tmp_path / "from-file" / "simulated.sqlite").is_file()
    from hil.store.sqlite_store import open_store

    with open_store(str(tmp_path / "from-file" / "simulated.sqlite"), read_only=True) as store:
        settings = {name: (value, origin) for name, value, origin in store.run(units(out)[0]["run"]).opened.settings}
    assert settings["operator"] == ("option", "--operator")
    assert settings["out"] == ("from-file", "hil.toml:2")
    assert settings["limits"] == ("qm2", "default")


@pytest.mark.parametrize("place", ["hil.runner.BoardSession", "hil.app.check_unit.open_bench"])
def test_an_internal_error_is_bench_trouble_and_never_fail(
    call: Call, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(place, broken)
    code, _, err = call("check", "Q2-00001")
    assert code == 3
    assert "internal error; nothing is said about the unit" in err
    assert "INTERNALERROR" not in err


def test_every_command_has_help(call: Call) -> None:
    _, listed, _ = call("--help")
    for name in COMMANDS:
        assert name in listed
        code, out, _ = call(name, "--help")
        assert code == 0
        assert out.startswith(f"usage: hil {name}")


def test_the_readme_names_every_command() -> None:
    words = (Path(__file__).parents[2] / "README.md").read_text()
    assert [name for name in COMMANDS if f"hil {name}" not in words] == []


def indented_block(text: str, first_words: str) -> str:
    """The indented block of a Markdown text that begins with these words."""
    lines = text.splitlines()
    start = next(place for place, line in enumerate(lines) if line.startswith(f"    {first_words}"))
    block = []
    for line in lines[start:]:
        if line.strip() and not line.startswith("    "):
            break
        block.append(line.removeprefix("    "))
    return "\n".join(block) + "\n"


def test_the_readme_check_of_ones_own_works(call: Call, tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    code_lines = [line for line in indented_block(readme, "from hil import check").splitlines() if line.strip()]
    assert len(code_lines) <= 11  # ten lines and a docstring
    (tmp_path / "my_checks").mkdir()
    (tmp_path / "my_checks" / "test_ripple.py").write_text("\n".join(code_lines) + "\n")
    shipped = (Path(__file__).parents[2] / "limits" / "qm2.toml").read_text()
    (tmp_path / "my_limits.toml").write_text(f"{shipped}\n{indented_block(readme, '[limit.ripple_5v]')}")
    release, check = (shlex.split(line)[1:] for line in indented_block(readme, "hil limits release my_").splitlines())
    assert call(*release)[0] == 0
    code, out, err = call(*check, "--json")
    assert code == 0, err
    verdicts = {reading["name"]: reading["verdict"] for reading in units(out)[0]["readings"]}
    assert verdicts["ripple_5v"] == "pass"
    code, out, err = call(*check, "--only", "ripple_*", "--json")
    assert code == 2, err
    verdicts = {reading["name"]: reading["verdict"] for reading in units(out)[0]["readings"]}
    assert "rail_5v_low" in verdicts  # what it comes after is measured before it


def test_a_lot_of_the_whole_plan_gets_its_report(call: Call, tmp_path: Path) -> None:
    assert call("check", "Q2-00001", "Q2-00002", "--lot", "26-11", "--json", "--fault", "R14=open")[0] == 1
    code, out, err = call("lot", "26-11", "--simulated")
    assert code == 0, err
    assert "lot 26-11: 2 units, 2 runs" in out
    figures = json.loads(next((tmp_path / "hil-out").glob("lot-*.json")).read_text())
    assert {name: count for name, count, _ in figures["failures"]}["output_average"] == 2


@pytest.mark.parametrize("more", [("--json",), ()])
def test_a_reader_who_leaves_hears_neither_pass_nor_fail(tmp_path: Path, more: tuple[str, ...]) -> None:
    """Whoever pipes a check into something that ends early must not take the end of it for a verdict."""
    process = subprocess.Popen(
        (sys.executable, "-m", "hil", "check", "Q2-00001", "--fault", "C4=short", "--only", "r_pack", *more),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.wait(timeout=60) == 2
