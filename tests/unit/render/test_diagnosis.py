"""A diagnosis in words: nothing is certain, nothing unescaped."""

import io
from types import SimpleNamespace
from typing import Any

import pytest

from hil.core.causes import Cause, Diagnosis, Evidence
from hil.core.next_probe import Expectation, NextProbe
from hil.render.diagnosis import diagnosis_html, interval, percent, print_cause, print_diagnosis, seen_words


@pytest.mark.parametrize(
    ("share", "words"), [(0.9999, "> 99.9 %"), (0.5, "50.0 %"), (0.0004, "< 0.1 %"), (0.999, "99.9 %")]
)
def test_percent_is_never_certain(share: float, words: str) -> None:
    assert percent(share) == words


def test_intervals_and_values() -> None:
    assert interval(5.0, 4.97, 5.03, "V") == "4.97 V … 5.03 V"
    assert interval(1e9, 1e8, 1e10, "ohm") == "over range"
    assert interval(0.0, -20.0, 5.5, "V") == "below 5.50 V"
    assert interval(0.0, -1e-3, 1e-3, "V") == "-1.00 mV … 1.00 mV"
    assert interval(1e6, 1e5, 1e9, "ohm") == "100 kohm … over range"
    assert seen_words(None, "V") == "gave no value"
    assert seen_words(False, "") == "no"
    assert seen_words("C=<b>", "") == "'C=<b>'"


def explained(**changes: Any) -> Any:
    evidence = Evidence(row="rail<5v>", seen=4.1, expected=(4.0, 3.9, 4.2), good=(5.0, 4.9, 5.1), weight=9.0)
    causes = (
        Cause(
            faults=("R1=open", "R2=open"), probability=0.75, prior=0.014, shipped_prior=0.008, speaks_for=(evidence,)
        ),
        Cause(faults=("U1=wrong",), probability=0.2, prior=0.01, shipped_prior=0.01, speaks_against=(evidence,)),
    )
    probe = NextProbe(
        name="voltage U3.6",
        information_bit=0.8,
        entropy_bit=1.1,
        expected=(
            Expectation(fault="R1=open", value=0.0, lower=-0.01, upper=0.01),
            Expectation(fault="U1=wrong", value=2.5, lower=2.4, upper=2.6),
        ),
    )
    values = {"diagnosis": Diagnosis(causes=causes, none=0.05, next_probe=probe), "confirmed": 12, "probes": ()}
    opened = SimpleNamespace(serial="QM2-1", run="run-1")
    return SimpleNamespace(run=SimpleNamespace(opened=opened), unit_of=lambda row: "V", **(values | changes))


def test_on_the_screen() -> None:
    stream = io.StringIO()
    print_diagnosis(explained(), stream)
    text = stream.getvalue()
    assert "75.0 %  R1=open, R2=open (not told apart yet)" in text
    assert "prior 0.8 % by the weights file, 1.4 % after 12 confirmed reworks" in text
    assert "for      rail<5v> 4.100 V; with this fault 3.90 V … 4.20 V; good units 4.90 V … 5.10 V" in text
    assert "voltage at U3.6 against GND, unit on at 7.4 V, terminals open (worth 0.8 of 1.1 bit)." in text
    assert "2.4 V … 2.6 V                  if U1=wrong" in text
    assert "hil diagnose RUN --probe 'U3.6=VALUE V'" in text


def test_in_one_line() -> None:
    stream = io.StringIO()
    print_cause(explained(), stream)
    print_cause(None, stream)
    assert stream.getvalue() == (
        "  Likely cause: 75.0 % R1=open, R2=open (not told apart yet). "
        "'hil diagnose QM2-1' says why, and where to probe.\n"
    )


def test_nothing_fits() -> None:
    stream = io.StringIO()
    print_diagnosis(explained(diagnosis=Diagnosis(causes=(), none=0.97)), stream)
    assert "None of the known faults fits (97.0 %)" in stream.getvalue()


def test_the_section_of_the_report_is_escaped() -> None:
    text = diagnosis_html(explained())
    assert "rail&lt;5v&gt;" in text
    assert "<5v>" not in text
    assert "none of the known faults" in text
