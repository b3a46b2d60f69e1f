"""The pytest-html report of one unit, in rows and columns of our own.

pytest-html lays out whatever cells its hooks hand it as raw HTML, and says nothing of limits or uncertainty. This
plugin object replaces its columns, puts verdict, plot and the SIMULATED banner above the table, and escapes
everything that came from a meter, an instrument or a file. It needs no pytest: a hook is known by its name.
"""

from html import escape
from typing import Any

from pluggy import HookimplMarker

from hil.core.records import Reading, Run, UnitVerdict, Verdict
from hil.render.results import Result, points, result_of
from hil.render.typeset import Paper, errors_svg

hook = HookimplMarker("pytest")
_COLOURS = {UnitVerdict.PASS: "#1b6b4a", UnitVerdict.FAIL: "#b3261e", UnitVerdict.INCOMPLETE: "#a66300"}
_COLUMNS = (
    ("verdict", "Verdict"), ("reading", "Reading"), ("value", "Value"), ("unit", "Unit"), ("limits", "Limits"),
    ("uncertainty", "U"), ("seconds", "Bench time"),
)  # fmt: skip
_STYLE = """
<style>
body { font: 14px/1.45 system-ui, sans-serif; color: #22303c; max-width: 1180px; margin: 24px auto; padding: 0 24px; }
h1 { font-size: 26px; margin: 0 0 4px; } h2 { font-size: 17px; }
#environment-header, #environment, .summary__reload, .run-count, body > p { display: none; }
.hil-verdict { color: #fff; border-radius: 6px; padding: 12px 18px; font-size: 16px; margin: 12px 0; }
.hil-verdict b { font-size: 28px; margin-right: 16px; vertical-align: middle; }
.hil-facts { display: grid; grid-template-columns: 150px 1fr; gap: 2px 12px; margin: 12px 0; }
.hil-facts dt { color: #5b6b78; } .hil-facts dd { margin: 0; overflow-wrap: anywhere; }
.hil-plot svg { width: 100%; height: auto; }
.hil-simulated { border: 2px solid #b3261e; color: #b3261e; font-weight: 700; padding: 8px 14px; border-radius: 6px; }
#results-table { width: 100%; font-size: 13px; border-collapse: collapse; }
#results-table th, #results-table td { padding: 4px 8px; border-color: #dfe5ea; }
#results-table td:not(.col-result) { color: #22303c; }
.col-value, .col-limits, .col-uncertainty, .col-seconds { text-align: right; font-variant-numeric: tabular-nums; }
.col-verdict b { color: #b3261e; }
.hil-mark { color: #b3261e; font-size: 10px; font-weight: 700; margin-left: 6px; }
.hil-note { color: #5b6b78; font-size: 12px; }
.hil-diagnosis table { border-collapse: collapse; width: 100%; font-size: 13px; }
.hil-diagnosis th, .hil-diagnosis td { text-align: left; vertical-align: top; padding: 4px 8px;
border-bottom: 1px solid #dfe5ea; }
.hil-diagnosis .hil-share { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
</style>
"""
# The word stands behind the whole page again and again, so that every part of a picture of it shows one.
_WATERMARK = """
<style>
body::after { content: ""; position: fixed; inset: 0; pointer-events: none; z-index: 9;
background: url("data:image/svg+xml,\
%3Csvg xmlns='http://www.w3.org/2000/svg' width='440' height='260'%3E%3Ctext x='220' y='146' text-anchor='middle' \
font-family='sans-serif' font-size='46' font-weight='700' fill='%23b3261e' fill-opacity='.1' \
transform='rotate(-24 220 130)'%3ESIMULATED\
%3C/text%3E%3C/svg%3E"); }
@media print { body::after { -webkit-print-color-adjust: exact; print-color-adjust: exact; } }
</style>
"""


class HtmlReport:
    """Plugin object for pytest-html.

    Args:
        run: as recorded.
        paper: draws the plot.
        diagnosis: what is believed of a run that failed, as HTML; "" when there is nothing to say.
    """

    def __init__(self, run: Run, paper: Paper, diagnosis: str = "") -> None:
        self._run, self._paper, self._diagnosis = run, paper, diagnosis
        self._readings = {reading.name: reading for reading in run.every_reading}

    @hook(optionalhook=True)
    def pytest_html_results_table_header(self, cells: list[str]) -> None:
        """Our columns."""
        cells[:] = ['<th class="sortable" data-column-type="result">Result</th>']
        cells += [f'<th class="sortable" data-column-type="{key}">{words}</th>' for key, words in _COLUMNS]

    @hook(optionalhook=True)
    def pytest_html_results_table_row(self, report: Any, cells: list[str]) -> None:
        """One reading; the first cell stays pytest-html's own, its filters work on it."""
        if report.when != "call" and report.passed:  # not shown, and yet laid out by pytest-html
            cells.clear()
            return
        reading = self._reading(report.nodeid)
        if reading is None:
            mark = '<span class="hil-mark">SIMULATED</span>' if self._run.opened.simulated else ""
            cells[1:] = [_cell("verdict", f"<b>{escape(self._run.verdict)}</b>{mark}"), _cell("reading", "the run")]
            cells += [_cell(key, "") for key, _ in _COLUMNS[2:]]
        else:
            cells[1:] = _cells(reading)

    @hook(optionalhook=True)
    def pytest_html_results_table_html(self, report: Any, data: list[str]) -> None:
        """What unfolds below a row: why, when, with what, the budget, the raw answers."""
        reading = self._reading(report.nodeid)
        if reading is not None:
            data[:] = [escape(line) for line in _details(reading)]

    @hook(optionalhook=True)
    def pytest_html_report_title(self, report: Any) -> None:
        """The page's name; what is known of the unit stands in the summary."""
        report.title = "Check of one unit"

    @hook(optionalhook=True)
    def pytest_html_results_summary(self, prefix: list[str], session: Any) -> None:
        """Verdict, facts and plot above the table."""
        run = self._run
        prefix.append(summary_html(run, self._paper) + self._diagnosis)
        report = next((one for one in session.config.pluginmanager.get_plugins() if hasattr(one, "_report")), None)
        if report is not None:
            report._report.title = _title(run)

    def _reading(self, nodeid: str) -> Reading | None:
        return self._readings.get(row_name(nodeid))


def summary_html(run: Run, paper: Paper) -> str:
    """Verdict, facts and plot of a run as HTML that needs nothing else."""
    opened, closed = run.opened, run.closed
    simulated = opened.simulated
    facts = {
        "Serial number": opened.serial,
        "Run": opened.run,
        "Attempt": f"{opened.attempt} of {opened.attempts_allowed}",
        "Reason for retest": opened.retest_reason,
        "Scope": opened.scope + (f", only {opened.only}" if opened.only else ""),
        "Limits": f"{opened.limits_file} revision {opened.limits_revision}",
        "Bench": f"{opened.bench} ({opened.bench_file}), kit {opened.kit_file}",
        "Operator": opened.operator,
        "Opened": opened.opened,
        "Closed": closed.closed if closed else "never: interrupted",
        "Bench time": f"{closed.actual_seconds:.1f} s, planned {opened.planned_seconds:.1f} s" if closed else "",
        "Faults put in": ", ".join(opened.faults),
        **(dict(closed.facts) if closed else {}),
    }
    parts = [_STYLE]
    if simulated:
        parts += [_WATERMARK, '<p class="hil-simulated">SIMULATED: no real unit was measured.</p>']
    reason = closed.reason if closed else "the run was interrupted and never closed"
    parts.append(
        f'<div class="hil-verdict" style="background:{_COLOURS[run.verdict]}"><b>{escape(run.verdict)}</b>'
        f"{escape(reason or 'every planned reading passed')}{' · SIMULATED' if simulated else ''}</div>"
    )
    rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in facts.items() if text)
    parts.append(f'<dl class="hil-facts">{rows}</dl>')
    parts.append(f'<div class="hil-plot">{errors_svg(points(run), paper, simulated=simulated)}</div>')
    return "".join(parts)


def row_name(nodeid: str) -> str:
    """Name of the row that a pytest item reads: what stands in its brackets."""
    return nodeid.partition("[")[2].rpartition("]")[0]


def _title(run: Run) -> str:
    return f"{'SIMULATED – ' if run.opened.simulated else ''}{run.opened.serial}: {run.verdict}"


def _cells(reading: Reading) -> list[str]:
    shown = result_of(reading)
    verdict = escape(reading.verdict.value.replace("_", " "))
    marked = verdict if reading.verdict is Verdict.PASS else f"<b>{verdict}</b>"
    simulated = '<span class="hil-mark">SIMULATED</span>' if reading.simulated else ""
    title = f'{escape(reading.name)}<br/><span class="hil-note">{escape(shown.title)}</span>'
    return [
        _cell("verdict", marked + simulated),
        _cell("reading", title),
        _cell("value", escape(shown.shown_value)),
        _cell("unit", escape(shown.shown_unit)),
        _cell("limits", escape(shown.shown_limits)),
        _cell("uncertainty", _uncertainty(shown)),
        _cell("seconds", f"{reading.seconds:.1f} s"),
    ]


def _uncertainty(shown: Result) -> str:
    if not shown.shown_uncertainty:
        return ""
    return f'{escape(shown.shown_uncertainty)} <span class="hil-note">k {escape(shown.shown_k)}</span>'


def _cell(key: str, content: str) -> str:
    return f'<td class="col-{key}">{content}</td>'


def _details(reading: Reading) -> list[str]:
    lines = [f"{reading.time}  {reading.check}"]
    if reading.reason:
        lines.append(f"reason       {reading.reason}")
    if reading.statement:
        lines.append(f"statement    {reading.statement.value}, rule {reading.rule}")
    if reading.accept_lower is not None or reading.accept_upper is not None:
        lines.append(f"acceptance   {reading.accept_lower} … {reading.accept_upper} {reading.unit}")
    if reading.instruments or reading.parts:
        lines.append(f"with         {', '.join((*reading.instruments, *reading.parts))}")
    lines += [f"note         {note}" for note in reading.notes]
    lines += [
        f"budget       {row.name}: u = {row.standard_uncertainty:.3g} {row.unit}, {row.kind}, {row.distribution}, "
        f"contributes {row.contribution:.3g} {reading.unit}"
        for row in reading.budget
    ]
    lines += [f"raw          {one}" for one in reading.raw]
    return lines
