"""JSON Lines: the contract of one object a unit."""

import json
import math
from collections.abc import Callable
from dataclasses import replace

from hil.core.records import Run, Verdict
from hil.render.jsonl import unit_line

MakeRun = Callable[..., Run]


def test_one_line_with_what_is_promised(run_of: MakeRun) -> None:
    line = unit_line(run_of(fail=("c_100p",)), files=("a/b.pdf",))
    assert "\n" not in line
    found = json.loads(line)
    assert found["format"] == 1
    assert (found["run"], found["serial"]) == ("20261125-043000-QM2-0042-a1b2c3", "QM2-0042")
    assert (found["verdict"], found["scope"], found["attempt"], found["simulated"]) == ("FAIL", "full", 1, True)
    assert found["files"] == ["a/b.pdf"]
    by_name = {reading["name"]: reading for reading in found["readings"]}
    assert by_name["c_100p"]["verdict"] == "fail"
    assert (by_name["c_100p"]["unit"], by_name["c_100p"]["lower"]) == ("F", 98.7e-12)
    assert by_name["boots"]["value"] is True
    assert by_name["boots"]["expected"] is True
    assert by_name["contact_jig"]["lower"] is None  # one-sided


def test_a_value_that_is_no_finite_number_is_null_with_a_reason(run_of: MakeRun) -> None:
    run = run_of()
    for value in (math.nan, math.inf, -math.inf, None):
        odd = replace(run.readings[0], value=value, verdict=Verdict.FAIL)
        found = json.loads(unit_line(replace(run, readings=(odd,))))["readings"][0]
        assert found["value"] is None
        assert found["reason"] in ("not a finite number", "no value")
    kept = json.loads(unit_line(replace(run, readings=(run.readings[1],))))["readings"][0]
    assert kept["reason"] == "reads infinite"


def test_no_token_outside_json(run_of: MakeRun) -> None:
    run = run_of()
    odd = replace(run.readings[0], lower=-math.inf, upper=math.nan, raw=(math.nan,))
    text = unit_line(replace(run, readings=(odd,)))
    assert "NaN" not in text
    assert "Infinity" not in text


def test_an_interrupted_run_has_no_closing(run_of: MakeRun) -> None:
    found = json.loads(unit_line(run_of(stop_after=3, closed=False)))
    assert (found["verdict"], found["closed"]) == ("INCOMPLETE", None)
    assert found["reason"] == "interrupted: the run was never closed"
    assert found["judged"] == 3
