"""Rows and columns of the HTML report, hook by hook; the report as pytest writes it is looked at in tests/e2e."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from hil.core.records import Run
from hil.render.report import HtmlReport, row_name, summary_html
from hil.render.typeset import Paper

MakeRun = Callable[..., Run]
EVIL = "<script>alert(1)</script>"


@dataclass
class Report:
    """As much of a pytest report as the hooks look at."""

    nodeid: str
    when: str = "call"
    passed: bool = True


def cells(run: Run, paper: Paper, nodeid: str) -> list[str]:
    found = ['<td class="col-result">Passed</td>', "<td>x</td>", "<td>x</td>", "<td>x</td>"]
    HtmlReport(run, paper).pytest_html_results_table_row(Report(nodeid), found)
    return found


def test_the_row_is_what_stands_in_the_brackets() -> None:
    assert row_name("test_17_capacitance.py::test_capacitance[c_100p]") == "c_100p"
    assert row_name("a.py::t[c[1]]") == "c[1]"
    assert row_name("a.py::t") == ""


def test_as_many_cells_as_columns(run_of: MakeRun, paper: Paper) -> None:
    heads: list[str] = ["old"]
    HtmlReport(run_of(), paper).pytest_html_results_table_header(heads)
    for nodeid in ("t.py::t[c_100p]", "t.py::t[unknown]"):
        assert len(cells(run_of(), paper, nodeid)) == len(heads)


def test_value_limits_uncertainty_and_verdict_stand_in_the_row(run_of: MakeRun, paper: Paper) -> None:
    row = "".join(cells(run_of(fail=("c_100p",)), paper, "t.py::t[c_100p]"))
    for words in ("<b>fail</b>", "SIMULATED", "c_100p", "102.34", "pF", "98.7 … 101.3", "0.23", "k 2.00"):
        assert words in row
    assert "SIMULATED" not in "".join(cells(run_of(simulated=False), paper, "t.py::t[c_100p]"))


def test_what_a_meter_said_is_text_and_never_markup(run_of: MakeRun, paper: Paper) -> None:
    run = run_of()
    first = replace(run.readings[2], value=EVIL, title=EVIL, reason=EVIL, raw=(EVIL,), notes=(EVIL,))
    run = replace(run, readings=(first,), opened=replace(run.opened, operator=EVIL, faults=(EVIL,)))
    assert "<script" not in "".join(cells(run, paper, "t.py::t[boots]"))
    assert "<script" not in "".join(cells(run, paper, f"t.py::t[{EVIL}]"))
    assert "<script" not in summary_html(run, paper)
    log: list[str] = ["old"]
    HtmlReport(run, paper).pytest_html_results_table_html(Report("t.py::t[boots]"), log)
    assert "old" not in log
    assert "<script" not in "".join(log)
    assert "&lt;script" in "".join(log)


def test_budget_and_raw_answers_unfold(run_of: MakeRun, paper: Paper) -> None:
    log: list[str] = []
    HtmlReport(run_of(), paper).pytest_html_results_table_html(Report("t.py::t[c_100p]"), log)
    assert any(line.startswith("budget       reference part: u = ") for line in log)
    assert any(line.startswith("acceptance ") for line in log)


def test_the_summary_carries_verdict_plot_and_banner_and_needs_nothing_else(run_of: MakeRun, paper: Paper) -> None:
    html = summary_html(run_of(), paper)
    assert "SIMULATED: no real unit was measured." in html
    assert "<b>PASS</b>" in html
    assert "<svg" in html
    assert 'src="http' not in html
    assert "url(http" not in html
    assert "SIMULATED" not in summary_html(run_of(simulated=False), paper)


def test_an_interrupted_run_says_so(run_of: MakeRun, paper: Paper) -> None:
    html = summary_html(run_of(stop_after=3, closed=False), paper)
    assert "the run was interrupted and never closed" in html
    assert "INCOMPLETE" in html


def test_what_pytest_html_does_not_show_is_not_laid_out(run_of: MakeRun, paper: Paper) -> None:
    found = ["<td>x</td>"]
    HtmlReport(run_of(), paper).pytest_html_results_table_row(Report("t.py::t[a]", when="setup"), found)
    assert found == []
