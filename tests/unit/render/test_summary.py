"""What stands in the terminal."""

import io
import sys
import time
from collections.abc import Callable
from types import SimpleNamespace

import pytest

from hil.core.plan import Plan, PlannedRow
from hil.core.records import Run, UnitVerdict
from hil.render.summary import LiveView, print_plan, print_run, print_runs, print_simulated, print_summary

MakeRun = Callable[..., Run]


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def said(run: Run) -> str:
    out = io.StringIO()
    print_summary(run, out)
    return out.getvalue()


def test_a_passing_unit_is_one_line(run_of: MakeRun) -> None:
    text = said(run_of())
    assert text.splitlines() == ["QM2-0042  PASS  scope full, attempt 1 of 3: 92 pass of 92 planned  SIMULATED"]
    assert "SIMULATED" not in said(run_of(simulated=False))


def test_a_failing_unit_shows_the_rows_that_failed(run_of: MakeRun) -> None:
    text = said(run_of(fail=("c_100p",)))
    assert "QM2-0042  FAIL" in text
    assert "c_100p" in text
    assert "102.34" in text
    assert "c_1n" not in text


def test_missing_rows_stand_under_their_reason(run_of: MakeRun) -> None:
    run = run_of(stop_after=60)
    text = said(run)
    missing = [name for name in run.opened.planned if name not in {reading.name for reading in run.readings}]
    assert f"not measured, never reached: {len(missing)} rows from {missing[0]} to {missing[-1]} ('hil show" in text
    few = run_of(stop_after=len(run.opened.planned) - 2)
    assert f"not measured, never reached: {', '.join(few.opened.planned[-2:])}\n" in said(few)
    assert "Reason: voltmeter at SIM0::voltmeter::INSTR: no answer. Check its cable." in text


def test_a_whole_run_lists_every_reading(run_of: MakeRun) -> None:
    out = io.StringIO()
    run = run_of()
    print_run(run, out)
    assert all(reading.name[:8] in out.getvalue() for reading in run.readings)
    assert "SIMULATED 20261125-043000-QM2-0042-a1b2c3" in out.getvalue()


def test_no_markup_comes_out_of_data(run_of: MakeRun) -> None:
    out = io.StringIO()
    print_simulated(out)
    assert out.getvalue() == "SIMULATED: no real unit was measured and no real instrument was used.\n"
    print_runs([], out)
    assert out.getvalue().endswith("no runs recorded\n")


def test_a_run_that_was_killed_is_listed_as_one() -> None:
    out = io.StringIO()
    killed = SimpleNamespace(
        run="R1", verdict=UnitVerdict.INCOMPLETE, scope="full", only="", attempt=1, planned=151, judged=0,
        is_closed=False, simulated=False,
    )  # fmt: skip
    print_runs([killed], out)  # type: ignore[list-item]
    assert "attempt 1, of 151 rows, never closed" in out.getvalue()  # how many were judged, 'hil show R1' counts


def row(name: str, part: str | None = None, seconds: float = 2.0) -> PlannedRow:
    return PlannedRow(
        name=name,
        check="test_x.py::test_x",
        group="x",
        needs=("meter",),
        power="on",
        after=(),
        seconds=seconds,
        part=part,
    )


PLAN = Plan(
    rows=(row("c_1n", "c_1n"), row("c_10n", "c_10n"), row("rail", seconds=1.0)),
    scope="full",
    outside_scope=("programmed",),
    unread=("orphan",),
    missing_roles=(("thermometer", "rail"),),
)


def test_the_plan_says_what_is_missing_and_what_to_do() -> None:
    out = io.StringIO()
    print_plan(PLAN, (), has_selector=False, stream=out)
    text = out.getvalue()
    assert "scope full: 3 readings, 2 fittings by hand, 5 s of gates, settling and instruments" in text
    assert "fitted in this order: c_1n, c_10n" in text
    assert "missing role: thermometer, first needed by rail. Add [role.thermometer] to the bench file" in text
    assert "no check reads orphan: the unit can only be INCOMPLETE." in text
    assert "outside the scope: programmed" in text


def test_the_live_view_shows_row_part_and_time_left(run_of: MakeRun) -> None:
    run = run_of()
    closed = run.closed
    assert closed is not None
    out = Terminal()
    live = LiveView(out)
    live.planned("QM2-0042", PLAN, simulated=True)
    live.measuring(PLAN.rows[0])
    live.judged(run.readings[0])
    live._progress.refresh()
    text = out.getvalue()
    assert "QM2-0042" in text
    assert "SIMULATED" in text
    assert "c_1n with c_1n" in text
    assert "0:05 left" in text
    live.finished(closed)


def test_the_live_view_is_silent_where_there_is_no_terminal(run_of: MakeRun) -> None:
    closed = run_of().closed
    assert closed is not None
    out = io.StringIO()
    live = LiveView(out)
    live.planned("QM2-0042", PLAN, simulated=True)
    live.measuring(PLAN.rows[0])
    live.finished(closed)
    assert out.getvalue() == ""


def test_who_writes_to_stderr_meanwhile_has_the_live_view_taken_off(
    run_of: MakeRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = run_of().closed
    assert closed is not None
    out = Terminal()
    monkeypatch.setattr(sys, "stderr", out)
    live = LiveView(out)
    live.planned("QM2-0042", PLAN, simulated=False)
    print("Is it on? [Y/n] ", end="", file=sys.stderr, flush=True)
    asked = out.getvalue()
    assert asked.endswith("\x1b[2KIs it on? [Y/n] ")  # on a line of its own, and nothing more is drawn
    time.sleep(0.3)
    assert out.getvalue() == asked
    live.measuring(PLAN.rows[0])
    assert "QM2-0042" in out.getvalue()[len(asked) :]
    live.finished(closed)
    assert sys.stderr is out
