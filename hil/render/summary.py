"""What a run looks like in a terminal: a live view while it is measured, a summary when it is closed, the plan.

Everything is written to the stream that is handed in. Where that is no terminal, the live view is silent: a log file
gets the summary and nothing that moves.
"""

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TextIO

from hil.core.limit import Limit, is_asked
from hil.core.plan import Plan, PlannedRow
from hil.core.records import Reading, Run, RunClosed, RunSummary, UnitVerdict, Verdict
from hil.render.results import Result, results_of

if TYPE_CHECKING:
    from rich.console import Console

SIMULATED = "SIMULATED: no real unit was measured and no real instrument was used."
_STYLES = {UnitVerdict.PASS: "bold green", UnitVerdict.FAIL: "bold red", UnitVerdict.INCOMPLETE: "bold yellow"}
_ROW_STYLES = {Verdict.FAIL: "red", Verdict.UNDECIDED: "yellow", Verdict.NOT_MEASURED: "yellow"}
MOST_NAMED = 12  # rows that are named one by one where many were not measured for one reason
WIDE = 180  # columns where there is no terminal: names stay in one piece for grep
_AS_IT_IS: Any = {"markup": False, "highlight": False, "soft_wrap": True}


class LiveView:
    """Progress of a run: rows judged, what is measured now, and the bench time left by the plan.

    Drawn on its last line until somebody else writes to stderr, a question to the operator say; from the next row on
    it is drawn again below.

    Implements the `hil.app.unit_run.Live` protocol.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._progress: Any = None  # rich.progress.Progress while a run lasts
        self._aside: Any = _Aside(stream, self._pause)  # written to by whoever means the same stream
        self._task: Any = None
        self._before: Any = None  # what sys.stderr was
        self._seconds: dict[str, float] = {}
        self._counts: Counter[Verdict] = Counter()

    def planned(self, serial: str, plan: Plan, *, simulated: bool) -> None:
        """A run begins."""
        self._seconds = {row.name: row.seconds for row in plan.rows}
        self._counts.clear()
        if not self._stream.isatty():
            return
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

        self._progress = Progress(
            TextColumn("{task.fields[serial]}"),
            *([TextColumn("SIMULATED", style="bold red")] if simulated else []),
            BarColumn(bar_width=24),
            MofNCompleteColumn(),
            TextColumn("{task.fields[counts]}"),
            TextColumn("{task.fields[left]}"),
            TextColumn("{task.description}", style="dim"),
            console=_console(self._stream),
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )
        self._task = self._progress.add_task(
            "", total=len(plan.rows), serial=serial, counts="", left=_left(sum(self._seconds.values()))
        )
        self._go_on()

    def _go_on(self) -> None:
        """Draw, until something else is written to the screen."""
        if not self._progress.live.is_started:
            self._before, sys.stderr = sys.stderr, self._aside
            self._progress.start()

    def _pause(self) -> None:
        if self._progress.live.is_started:
            self._progress.stop()
            sys.stderr = self._before

    def measuring(self, row: PlannedRow) -> None:
        """A row is about to be measured."""
        if self._progress is not None:
            self._go_on()
            part = f" with {row.part}" if row.part else ""
            self._progress.update(self._task, description=f"{row.name}{part}")

    def judged(self, reading: Reading) -> None:
        """A reading is in the record."""
        self._seconds.pop(reading.name, None)
        self._counts[reading.verdict] += 1
        if self._progress is not None:
            bad = [f"{self._counts[verdict]} {_words(verdict)}" for verdict in _ROW_STYLES if self._counts[verdict]]
            self._progress.update(self._task, advance=1, counts=", ".join(bad), left=_left(sum(self._seconds.values())))

    def finished(self, closed: RunClosed) -> None:
        """The run is closed, or is given up."""
        if self._progress is not None:
            self._pause()
            self._progress = None


class _Aside:
    """Stands in for a stream while something is drawn on its terminal: who writes to it has the drawing taken off.

    A question stays where it was asked until it is answered, and nothing moves over what is being typed.
    """

    def __init__(self, stream: TextIO, pause: Callable[[], None]) -> None:
        self._stream, self._pause = stream, pause

    def write(self, text: str) -> int:
        """Write, after the drawing was taken off."""
        self._pause()
        return self._stream.write(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def print_simulated(stream: TextIO) -> None:
    """The line that stands first and last when the bench is simulated."""
    _console(stream).print(SIMULATED, style="bold red", **_AS_IT_IS)


def print_summary(run: Run, stream: TextIO) -> None:
    """The verdict of a run, every row that did not pass, and where its files are."""
    console = _console(stream)
    opened, closed = run.opened, run.closed
    results = results_of(run)
    counts = Counter(result.verdict for result in results)
    said = ", ".join(f"{counts[verdict]} {_words(verdict)}" for verdict in Verdict if counts[verdict])
    simulated = "  SIMULATED" if opened.simulated else ""
    attempt = f"attempt {opened.attempt} of {opened.attempts_allowed}"
    line = f"{opened.serial}  {run.verdict}  scope {opened.scope}, {attempt}: {said} of {len(opened.planned)} planned"
    console.print(f"{line}{simulated}", style=_STYLES[run.verdict], **_AS_IT_IS)
    brought = sum(not is_asked(name, opened.only) for name in opened.planned)
    if brought:
        asked = _rows(len(opened.planned) - brought)
        console.print(f"  --only '{opened.only}': {asked}, and {_rows(brought)} that come before", **_AS_IT_IS)
    notes = {reading.name: "; ".join(reading.notes) for reading in run.readings if reading.notes}
    bad = [
        replace(result, reason=f"{result.reason} ({notes[result.name]})") if result.name in notes else result
        for result in results
        if result.verdict in (Verdict.FAIL, Verdict.UNDECIDED)
    ]
    if bad:
        _print_rows(bad, console, simulated=opened.simulated)
    reason = closed.reason if closed else "interrupted: the run was never closed"
    if reason and run.verdict is UnitVerdict.INCOMPLETE:
        console.print(f"  Reason: {reason}", **_AS_IT_IS)
    missing: dict[str, list[str]] = {}
    wrapped = {**_AS_IT_IS, "soft_wrap": not stream.isatty()}  # no name is cut at the edge of a screen
    for result in results:
        if result.verdict is Verdict.NOT_MEASURED:
            why = result.reason.rstrip(".")
            missing.setdefault("for that reason" if why in reason else why, []).append(result.name)
    for why, names in missing.items():
        console.print(f"  not measured, {why}: {_named(names, opened.run)}", style="yellow", **wrapped)
    if closed and opened.planned_seconds:
        took = f"  Bench time {closed.actual_seconds:.1f} s, planned {opened.planned_seconds:.1f} s"
        console.print(took, style="dim", **_AS_IT_IS)
    for path in closed.files if closed else ():
        console.print(f"  {path}", **_AS_IT_IS)


def _named(names: Sequence[str], run: str) -> str:
    if len(names) <= MOST_NAMED:
        return ", ".join(names)
    return f"{len(names)} rows from {names[0]} to {names[-1]} ('hil show {run}' lists them)"


def print_run(run: Run, stream: TextIO) -> None:
    """All readings of a run, for `hil show`."""
    _print_rows(results_of(run), _console(stream), simulated=run.opened.simulated, title=run.opened.run)
    print_summary(run, stream)


def _print_rows(results: Sequence[Result], console: "Console", *, simulated: bool, title: str = "") -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    mark = "SIMULATED" if simulated else ""
    table = Table(box=box.SIMPLE_HEAD, title=f"{mark} {title}".strip() or None, caption=mark or None)
    for heading in ("reading", "value", "limits", "U", "k", "unit", "verdict", "reason"):
        table.add_column(heading, justify="right" if heading in ("value", "limits", "U") else "left", overflow="fold")
    for one in results:
        cells = (
            one.name, one.shown_value, one.shown_limits, one.shown_uncertainty, one.shown_k, one.shown_unit,
            _words(one.verdict), one.reason,
        )  # fmt: skip
        table.add_row(*(Text(cell, style=_ROW_STYLES.get(one.verdict, "")) for cell in cells))
    console.print(table)


def print_plan(
    plan: Plan, rows: Sequence[Limit], *, has_selector: bool, only: str = "", stream: TextIO | None = None
) -> None:
    """The plan: rows in their order, what is missing, fittings, time."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    console = _console(stream or sys.stdout)
    titles = {row.name: row.title for row in rows}
    table = Table(box=box.SIMPLE_HEAD)
    for heading in ("", "reading", "what", "check", "part", "needs", "s"):
        table.add_column(heading, justify="right" if heading in ("", "s") else "left", overflow="fold")
    for place, row in enumerate(plan.rows, 1):
        needs = " ".join(need for need in row.needs if need != "part")
        cells = (str(place), row.name, titles.get(row.name, ""), row.check, row.part or "", needs, f"{row.seconds:.1f}")
        table.add_row(*map(Text, cells))
    console.print(table)
    by_hand = "" if has_selector else " by hand"
    console.print(
        f"scope {plan.scope}: {len(plan.rows)} readings, {len(plan.fittings)} fittings{by_hand}, "
        f"{plan.seconds:.0f} s of gates, settling and instruments"
        f"{'' if has_selector else '; what the operator takes comes on top'}",
        **_AS_IT_IS,
    )
    if not has_selector and plan.fittings:
        console.print(f"fitted in this order: {', '.join(plan.fittings)}", **_AS_IT_IS)
    brought = sum(not is_asked(row.name, only) for row in plan.rows)
    if brought:
        asked = _rows(len(plan.rows) - brought)
        console.print(f"--only '{only}': {asked}, and {_rows(brought)} that come before", **_AS_IT_IS)
    for role, row_name in plan.missing_roles:
        console.print(
            f"missing role: {role}, first needed by {row_name}. Add [role.{role}] to the bench file, or choose a "
            "scope that does without.",
            style="yellow",
            **_AS_IT_IS,
        )
    for name in plan.unread:
        said = f"no check reads {name}: the unit can only be INCOMPLETE. Add a check, or take the row out of the scope."
        console.print(said, style="yellow", **_AS_IT_IS)
    if plan.outside_scope:
        console.print(f"outside the scope: {', '.join(plan.outside_scope)}", style="dim", **_AS_IT_IS)


def _console(stream: TextIO) -> "Console":
    from rich.console import Console

    return Console(file=stream, highlight=False, markup=False, width=None if stream.isatty() else WIDE)


def _left(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d} left"


def _rows(count: int) -> str:
    return f"{count} row{'s' * (count != 1)}"


def _words(verdict: Verdict) -> str:
    return verdict.value.replace("_", " ")


def print_runs(runs: Sequence[RunSummary], stream: TextIO) -> None:
    """Recorded runs, the latest last."""
    console = _console(stream)
    for one in runs:
        mark = "  SIMULATED" if one.simulated else ""
        only = f", only {one.only}" if one.only else ""
        how = f"{one.judged} of {one.planned} judged" if one.is_closed else f"of {one.planned} rows, never closed"
        line = f"{one.run}  {one.verdict:10}  scope {one.scope}{only}, attempt {one.attempt}, {how}{mark}"
        console.print(line, style=_STYLES[one.verdict], **_AS_IT_IS)
    if not runs:
        console.print("no runs recorded", **_AS_IT_IS)
