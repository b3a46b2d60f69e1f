"""A comparison on the screen, as JSON and as a plot."""

import io
import json

import pytest

from hil.core.baseline import Firmware, RunSet
from hil.core.compare import Comparison, Finding, Kind, Shift
from hil.core.equivalence import Difference
from hil.render.comparison import comparison_json, noteworthy, plot, print_comparison, sentence


def side(source: str) -> RunSet:
    return RunSet(
        firmware=Firmware(source=source, version="1.0.0", flash_bytes=14_000, ram_bytes=400),
        board="qm2", board_revision="A", limits="qm2.toml", limits_revision="A", limits_sha256="1", scope="full",
        bench="simulated", simulated=True, seed=0, serials=("A", "B"), repeats=2, made="", suite_version="0", series=(),
    )  # fmt: skip


def shift(name: str, finding: Finding, value: float, **more: object) -> Shift:
    difference = Difference(value=value, standard_error=1e-13, dof=4)
    fields = {"unit": "F", "margin": 1e-12, "baseline": 1e-10, "candidate": 1e-10 + value, "difference": difference}
    return Shift(name=name, finding=finding, **(fields | more))  # type: ignore[arg-type]


COMPARISON = Comparison(
    shifts=(
        shift("c_100p", Finding.SAME, 1e-14),
        shift("c_1n", Finding.CHANGED, 5e-12),
        shift("l_1u", Finding.CANNOT_TELL, 0.9e-12, repeats=7),
        shift("l_10u", Finding.CANNOT_TELL, 0.9e-12, units=9),
        shift("l_47u", Finding.CANNOT_TELL, 1e-12),
        shift("moved", Finding.SAME, 0.4e-12, is_significant=True),
        Shift(name="flash size", kind=Kind.SIZE, unit="B", finding=Finding.SAME, baseline=14000.0, candidate=14100.0),
    )
)


def test_sentences():
    said = {one.name: sentence(one) for one in COMPARISON.shifts}
    assert said["l_1u"] == "7 repeats would settle it"
    assert said["l_10u"] == "no number of repeats will settle it; 9 units would"
    assert said["l_47u"] == ("no number of repeats or units will settle it: the shift is about as large as the margin")
    assert said["moved"] == "moved for sure, but inside its margin"


def test_what_is_worth_a_look_comes_first():
    assert [one.name for one in noteworthy(COMPARISON)] == ["c_1n", "l_47u", "l_1u", "l_10u", "moved", "flash size"]


def test_screen():
    stream = io.StringIO()
    print_comparison(COMPARISON, side("old.elf"), side("new.elf"), stream)
    text = stream.getvalue()
    assert "c_100p" not in text
    assert "14000 B" in text
    assert text.splitlines()[-2].strip() == (
        "old.elf (1.0.0) → new.elf (1.0.0): 2 units, 2 and 2 repeats; 3 same, 1 changed, 3 cannot tell"
    )
    assert text.splitlines()[-1].strip() == "CHANGED: something moved beyond its margin"


def test_json_is_whole_and_finite():
    found = json.loads(json.dumps(comparison_json(COMPARISON, side("old.elf"), side("new.elf")), allow_nan=False))
    assert (found["finding"], found["candidate"]["source"]) == ("changed", "new.elf")
    by_name = {one["name"]: one for one in found["shifts"]}
    assert by_name["c_1n"]["shift"] == pytest.approx(5e-12)
    assert by_name["flash size"]["lower"] is None


@pytest.mark.parametrize(("file_format", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_plot(file_format, begins):
    assert plot(COMPARISON, file_format=file_format).startswith(begins)
    assert plot(Comparison(shifts=()), file_format=file_format).startswith(begins)
