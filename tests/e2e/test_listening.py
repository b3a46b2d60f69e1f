"""Firmware without commands, on a bench that only listens: the same checks of capacitance, from what a meter prints.

It calibrates itself at power-on, so nothing may be fitted before it has started.
"""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.cli.main import main
from hil.suite import ROOT

PATTERN = r"C=(?P<capacitance>\S+ \S*F|OVER|-+)|L=(?P<inductance>\S+ \S*H|OVER|-+)"
LIMITS = """format = 1
board = "qm2"
revision = "A"
attempts = 3

[scopes]
heard = "what a meter without commands prints by itself"

[limit.c_470p]
title = "capacitance, 470 pF"
unit = "F"
tolerance = "3 % + 2 pF"
scopes = ["heard"]
part = "c_470p"
reason = "neither zero nor Ccal is adjusted: a calibration capacitor of 1 %, and the open terminals of the jig"

[limit.c_10n]
title = "capacitance, 10 nF"
unit = "F"
tolerance = "3 % + 2 pF"
scopes = ["heard"]
part = "c_10n"
reason = "as at 470 pF"

"""


@pytest.fixture
def heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Any]:
    """Checks one unit whose firmware only prints; (exit code, unit, stderr)."""
    monkeypatch.chdir(tmp_path)
    shipped = (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")
    bench = shipped.replace('protocol = "bench_port"', f"protocol = \"listen\"\npattern = '{PATTERN}'", 1)
    (tmp_path / "listening.toml").write_text(bench)
    (tmp_path / "heard.toml").write_text(LIMITS)
    released = main(["limits", "release", "./heard.toml", "--by", "Q. Maker", "--reason", "firmware without a port"])
    assert released == 0

    def run(
        serial: str, *faults: str, limits: str = "./heard.toml", scope: str = "heard"
    ) -> tuple[int, dict[str, Any], str]:
        capsys.readouterr()
        words = [word for fault in ("firmware=prints_only", *faults) for word in ("--fault", fault)]
        files = ["--bench", "./listening.toml", "--limits", limits, "--scope", scope]
        code = main(["check", serial, "--json", *files, *words])
        captured = capsys.readouterr()
        return code, json.loads(captured.out.splitlines()[0]) if captured.out else {}, captured.err

    return run


def test_the_pattern_is_the_documented_one() -> None:
    assert f"pattern = '{PATTERN}'" in (ROOT / "fixtures/firmware/bench_port.md").read_text(encoding="utf-8")


def test_rows_that_need_commands_are_not_measured_and_no_trouble(heard: Callable[..., Any]) -> None:
    code, unit, err = heard("QM2-0004", limits="qm2", scope="full")
    assert code == 2, err
    readings = {reading["name"]: reading for reading in unit["readings"]}
    assert readings["rail_5v_nominal"]["verdict"] == "pass"
    assert "cannot send 'SYST:UPT?'" in readings["start_time"]["reason"]
    assert readings["c_1n"]["reason"] == "comes after start_time, which was not measured"


def test_a_bench_that_only_listens_can_be_ready(heard: Callable[..., Any], capsys: pytest.CaptureFixture[str]) -> None:
    """Its check parts are read; who the golden unit is and what the jig adds cannot be asked, and that is said."""
    code = main(["bench", "--bench", "./listening.toml", "--fault", "firmware=prints_only"])
    said = capsys.readouterr().out
    assert code == 0, said
    assert "READY since" in said
    assert re.search(r"part_c_470p_check +4\d\d\.\d+ pF .*pass", said)
    assert re.search(r"jig_open .*not measured: the bench has no meter that takes commands", said)


def test_a_good_unit_passes(heard: Callable[..., Any]) -> None:
    code, unit, err = heard("QM2-0001")
    assert (code, unit["verdict"]) == (0, "PASS"), (unit, err)
    assert [reading["name"] for reading in unit["readings"]] == ["c_470p", "c_10n"]


def test_a_wrong_calibration_capacitor_fails(heard: Callable[..., Any]) -> None:
    code, unit, _ = heard("QM2-0002", "C2=+10%")
    assert code == 1
    assert {reading["verdict"] for reading in unit["readings"]} != {"pass"}


def test_a_meter_that_takes_commands_prints_nothing_and_that_is_said(heard: Callable[..., Any]) -> None:
    _, unit, _ = heard("QM2-0003", "firmware=forgetful")
    assert "prints nothing" in unit["readings"][0]["reason"]
