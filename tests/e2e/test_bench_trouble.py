"""Trouble in mid-run, from the command line: what is said, which exit code, what is in the record."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from hil.cli.main import main
from hil.store.sqlite_store import open_store
from hil.suite import ROOT

_SHIPPED = (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")
UNCERTAINTY = _SHIPPED[_SHIPPED.index("\n[uncertainty.jig]") : _SHIPPED.index("\n[selector.parts]")]

Check = Callable[..., tuple[int, dict[str, Any], str]]


@pytest.fixture
def check(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Check:
    """Check one unit with faults in an empty folder; (exit code, unit, stderr)."""
    monkeypatch.chdir(tmp_path)

    def run(*faults: str) -> tuple[int, dict[str, Any], str]:
        words = [word for fault in faults for word in ("--fault", fault)]
        code = main(["check", "QM2-0001", "--json", *words])
        captured = capsys.readouterr()
        lines = captured.out.splitlines()
        return code, json.loads(lines[0]) if lines else {}, captured.err

    return run


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("bench.voltmeter=silent@9", "voltmeter at SIM0::voltmeter::INSTR: does not answer 'MEAS:RES?' within 3 s."),
        ("bench.counter=garbage@3", "counter at SIM0::counter::INSTR: answers 'FREQ:APER 1.0000;:MEAS:FREQ?' with"),
        ("bench.selector=vanish@20", "selector at SIM0::selector::INSTR: the connection broke at 'ROUT:"),
        ("bench.supply=vanish@12", "Switch the outputs off by hand, something may still be on: supply at SIM0"),
        ("bench.meter=vanish@60", "Plug the serial adapter in again and repeat the check."),
        ("bench.meter=partial@70", "lines of the meter come cut off: 'SYST:VERS?' is answered with '1999.0'"),
    ],
)
def test_trouble_of_the_bench_never_fails_the_unit_and_keeps_every_reading(
    check: Check, tmp_path: Path, fault: str, words: str
) -> None:
    code, unit, err = check(fault)
    assert code == 3
    assert words in err
    assert unit["verdict"] == "INCOMPLETE"
    verdicts = [reading["verdict"] for reading in unit["readings"]]
    assert "fail" not in verdicts
    assert verdicts.count("pass") >= 5
    with open_store(str(tmp_path / "hil-out" / "simulated.sqlite"), read_only=True) as store:
        recorded = store.run(unit["run"])
    assert recorded.closed is not None
    assert words in recorded.closed.reason
    assert len(recorded.readings) == len(unit["readings"])
    xml = next(path for path in unit["files"] if path.endswith("junit.xml"))
    suite = ElementTree.parse(tmp_path / xml).getroot()[0]
    counts = {name: int(suite.attrib[name]) for name in ("tests", "skipped", "failures", "errors")}
    rows = unit["planned"]  # every one of them is there, and the run itself as an error: nobody may count it as passed
    assert counts == {"tests": rows + 1, "skipped": rows - unit["judged"], "failures": 0, "errors": 1}


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("bench.voltmeter=silent", "voltmeter at SIM0::voltmeter::INSTR: does not answer '*IDN?' within 2 s."),
        ("bench.supply=wrong_identity", "another instrument answers: 'Other,PS-1,0,0' does not fit identity"),
        ("bench.thermometer=garbage", "thermometer at SIM0::thermometer::INSTR: answers '*IDN?' with bytes"),
    ],
)
def test_trouble_before_the_unit_is_touched_opens_no_run(check: Check, fault: str, words: str) -> None:
    code, unit, err = check(fault)
    assert (code, unit) == (3, {})
    assert words in err
    first, *_, last = err.splitlines()
    assert first.startswith("SIMULATED")
    assert first == last


def test_a_meter_that_restarts_by_itself_fails_the_reading_with_the_cause(check: Check) -> None:
    code, unit, _ = check("bench.meter=reboot@90")
    assert (code, unit["verdict"]) == (1, "FAIL")
    failed = [reading for reading in unit["readings"] if reading["verdict"] == "fail"]
    assert len(failed) == 1
    assert "the meter restarted in mid-run (cause EXTERNAL)" in failed[0]["reason"]


def test_a_real_bench_without_a_readiness_check_is_refused_before_anything_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "west.toml").write_text(
        'format = 1\nbench = "west"\nkit = "demo"\n[meter]\nport = "/dev/no-such-port"\n[role.operator]\n' + UNCERTAINTY
    )
    assert main(["check", "QM2-0001", "--bench", "west.toml"]) == 3
    assert "bench 'west': was never checked for readiness. Run 'hil bench --bench west.toml' first." in (
        capsys.readouterr().err
    )


def test_the_readiness_command_prints_settings_identities_values_and_keeps_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["bench", "--operator", "A. Example"]) == 0
    out = capsys.readouterr().out
    assert "operator: A. Example  (--operator)" in out
    assert "Simulated,MULTIMETER 5.5 DIGITS,VOLTMETER,1.0, certificate QI-E-0002, due 2027-06-30" in out
    assert "READY since 20" in out
    assert out.count("SIMULATED") >= 2
    assert main(["bench", "--fault", "bench.contact.TP_5V=20ohm"]) == 3
    assert "NOT READY: contact_TP_5V: 20.0" in capsys.readouterr().out
