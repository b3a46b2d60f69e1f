"""pytest's own reports, made from a recorded run."""

import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from hil.core.records import Run, Verdict
from hil.errors import BenchError
from hil.render.report import HtmlReport
from hil.render.typeset import Paper
from hil.reporter import report_run

MakeRun = Callable[..., Run]
Made = Callable[[Run], tuple[str, ET.Element]]


@pytest.fixture
def made(tmp_path: Path, paper: Paper) -> Made:
    def make(run: Run) -> tuple[str, ET.Element]:
        page, xml = report_run(run, tmp_path, HtmlReport(run, paper))
        return page.read_text(encoding="utf-8"), ET.parse(xml).getroot()

    return make


def test_every_reading_is_a_case_with_the_outcome_of_its_verdict(run_of: MakeRun, made: Made) -> None:
    run = run_of(fail=("c_100p",))
    lost = {"verdict": Verdict.NOT_MEASURED, "value": None, "reason": "comes after c_100p"}
    run = replace(run, readings=tuple(replace(one, **lost) if one.name == "boots" else one for one in run.readings))
    page, suites = made(run)
    (suite,) = suites
    cases = {case.attrib["name"].partition("[")[2].rstrip("]"): case for case in suite.iter("testcase")}
    assert list(cases) == [reading.name for reading in run.readings]
    assert [child.tag for child in cases["c_100p"]] == ["properties", "failure"]
    assert "skipped" in [child.tag for child in cases["boots"]]
    assert int(suite.attrib["failures"]) == 1
    assert suite.attrib["name"].startswith("SIMULATED ")
    assert [reading.name for reading in run.readings if reading.name.split()[0] not in page] == []
    assert "SIMULATED: no real unit was measured." in page


def test_an_interrupted_run_has_reports_too(run_of: MakeRun, made: Made) -> None:
    run = run_of(stop_after=2, closed=False)
    page, suites = made(run)
    cases = list(suites.iter("testcase"))
    assert len(cases) == len(run.opened.planned) + 1  # every planned row, and the run itself
    assert sum(case.find("skipped") is not None for case in cases) == len(run.opened.planned) - 2
    error = cases[-1].find("error")
    assert error is not None
    assert error.text == "INCOMPLETE: interrupted: the run was never closed"
    assert "the run was interrupted and never closed" in page


def test_what_cannot_be_written_is_trouble_with_a_place(run_of: MakeRun, paper: Paper, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    run = run_of()
    with pytest.raises(BenchError, match=r"file.*: .*The run itself is in the record"):
        report_run(run, tmp_path / "file", HtmlReport(run, paper))
