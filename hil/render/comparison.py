"""A comparison as a table, a plot in units of the margin, and JSON."""

import io
import math
from collections.abc import Sequence
from typing import Any, TextIO

from hil.core.baseline import RunSet
from hil.core.compare import Comparison, Finding, Kind, Shift
from hil.core.records import Value
from hil.core.units import show

_WORDS = {
    Finding.SAME: "nothing moved beyond its margin",
    Finding.CHANGED: "something moved beyond its margin",
    Finding.CANNOT_TELL: "nothing surely moved beyond its margin, but something may have",
}
_STYLES = {Finding.SAME: "green", Finding.CHANGED: "bold red", Finding.CANNOT_TELL: "yellow"}
_PLOT_ROWS, _PLOT_REACH = 60, 5.0  # rows shown, and how many margins wide


def sentence(shift: Shift) -> str:
    """What is said about one quantity, in words."""
    words = [shift.reason] if shift.reason else []
    if shift.is_significant:
        words.append("moved for sure, but inside its margin")
    if shift.finding is Finding.CANNOT_TELL and shift.difference is not None:
        if shift.repeats is not None:
            words.append(f"{shift.repeats} repeats would settle it")
        elif shift.units is not None:
            words.append(f"no number of repeats will settle it; {shift.units} units would")
        else:
            words.append("no number of repeats or units will settle it: the shift is about as large as the margin")
    return "; ".join(words)


def noteworthy(comparison: Comparison) -> tuple[Shift, ...]:
    """Shifts a person wants to read: changed, open, surely moved, sizes; the gravest first."""
    order = {Finding.CHANGED: 0, Finding.CANNOT_TELL: 1, Finding.SAME: 2}
    shown = [s for s in comparison.shifts if s.finding is not Finding.SAME or s.is_significant or s.kind is Kind.SIZE]
    return tuple(sorted(shown, key=lambda shift: (order[shift.finding], -abs((shift.in_margins or (0.0,))[0]))))


def print_comparison(
    comparison: Comparison, baseline: RunSet, candidate: RunSet, stream: TextIO, *, every: bool = False
) -> None:
    """Print the table and the finding of the whole."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(file=stream, width=None if stream.isatty() else 160, highlight=False, markup=False)
    table = Table(box=None, pad_edge=False)
    for heading in ("reading", "baseline", "candidate", "shift", "90 % interval", "margin", "finding", ""):
        table.add_column(heading, overflow="fold")
    for shift in comparison.shifts if every else noteworthy(comparison):
        cells = _cells(shift)
        table.add_row(*cells[:-2], Text(cells[-2], style=_STYLES[shift.finding]), cells[-1])
    if table.row_count:
        console.print(table)
    counts = {finding: len(comparison.of(finding)) for finding in Finding}
    judged = ", ".join(f"{count} {finding}" for finding, count in counts.items() if count)
    units = len(set(baseline.serials) & set(candidate.serials))
    console.print(
        f"{_described(baseline)} → {_described(candidate)}: {units} units, "
        f"{baseline.repeats} and {candidate.repeats} repeats; {judged}"
    )
    console.print(
        Text(f"{comparison.finding.upper()}: {_WORDS[comparison.finding]}", style=_STYLES[comparison.finding])
    )


def _described(one: RunSet) -> str:
    version = f" ({one.firmware.version})" if one.firmware.version else ""
    return f"{one.firmware.source}{version}"


def _cells(shift: Shift) -> tuple[str, ...]:
    difference, interval, margin = "", "", ""
    if shift.difference is not None:
        difference = show(shift.difference.value, shift.unit, 3)
        lower, upper = shift.difference.interval()
        interval = f"{show(lower, shift.unit, 3)} to {show(upper, shift.unit, 3)}"
        margin = f"±{show(shift.margin, shift.unit, 3)}" if shift.margin else ""
    return (
        shift.name,
        _shown(shift.baseline, shift.unit),
        _shown(shift.candidate, shift.unit),
        difference,
        interval,
        margin,
        str(shift.finding),
        sentence(shift),
    )


def _shown(value: Value, unit: str) -> str:
    if isinstance(value, float):
        return f"{value:.0f} B" if unit == "B" else show(value, unit, 6)
    return "—" if value is None else str(value)


def comparison_json(comparison: Comparison, baseline: RunSet, candidate: RunSet) -> dict[str, Any]:
    """One object: both sides, every shift, the finding."""
    return {
        "format": 1,
        "finding": str(comparison.finding),
        "baseline": _side(baseline),
        "candidate": _side(candidate),
        "shifts": [_shift_json(shift) for shift in comparison.shifts],
    }


def _side(one: RunSet) -> dict[str, Any]:
    firmware = one.firmware
    return {
        "source": firmware.source,
        "firmware_version": firmware.version,
        "sha256": firmware.sha256,
        "flash_bytes": firmware.flash_bytes,
        "ram_bytes": firmware.ram_bytes,
        "board": one.board,
        "board_revision": one.board_revision,
        "limits": one.limits,
        "limits_revision": one.limits_revision,
        "bench": one.bench,
        "simulated": one.simulated,
        "units": list(one.serials),
        "repeats": one.repeats,
    }


def _shift_json(shift: Shift) -> dict[str, Any]:
    lower, upper = shift.difference.interval() if shift.difference is not None else (math.nan, math.nan)
    return {
        "name": shift.name,
        "kind": str(shift.kind),
        "unit": shift.unit,
        "finding": str(shift.finding),
        "baseline": _finite(shift.baseline),
        "candidate": _finite(shift.candidate),
        "shift": _finite(shift.difference.value) if shift.difference is not None else None,
        "standard_error": _finite(shift.difference.standard_error) if shift.difference is not None else None,
        "dof": _finite(shift.difference.dof) if shift.difference is not None else None,
        "lower": _finite(lower),
        "upper": _finite(upper),
        "margin": shift.margin,
        "within": shift.within,
        "between": shift.between,
        "repeats_to_settle": shift.repeats,
        "units_to_settle": shift.units,
        "moved_inside_margin": shift.is_significant,
        "p_changed": shift.p_value,
        "reason": sentence(shift),
    }


def _finite(value: Value) -> Value:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def plot(comparison: Comparison, *, file_format: str = "svg") -> bytes:
    """Shifts with their 90 % intervals in units of the margin, the largest on top; SVG, PNG or PDF."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = _plot_rows(comparison.shifts)
    figure = Figure(figsize=(7.0, 1.2 + 0.17 * max(1, len(rows))))
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.axvspan(-1, 1, color="0.93")
    axes.axvline(0, color="0.6", linewidth=0.6)
    colours = {Finding.SAME: "0.25", Finding.CHANGED: "#b2182b", Finding.CANNOT_TELL: "#c07800"}
    for place, (shift, (value, lower, upper)) in enumerate(reversed(rows)):
        low, high = max(lower, -_PLOT_REACH), min(upper, _PLOT_REACH)
        colour = colours[shift.finding]
        axes.plot([low, high], [place, place], color=colour, linewidth=1.0)
        if abs(value) <= _PLOT_REACH:
            axes.plot([value], [place], "o", color=colour, markersize=2.5)
        else:
            axes.annotate(f"{value:+.0f}", (math.copysign(_PLOT_REACH, value), place), fontsize=6, color=colour)
    axes.set_yticks(range(len(rows)), [shift.name for shift, _ in reversed(rows)], fontsize=6)
    axes.set_xlim(-_PLOT_REACH, _PLOT_REACH)
    axes.set_ylim(-1, len(rows))
    axes.set_xlabel("shift in units of the margin, with its 90 % interval")
    figure.tight_layout()
    with mpl.rc_context({"svg.hashsalt": "hil"}):
        buffer = io.BytesIO()
        metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(file_format, {})
        figure.savefig(buffer, format=file_format, metadata=metadata, dpi=150)
    return buffer.getvalue()


def _plot_rows(shifts: Sequence[Shift]) -> list[tuple[Shift, tuple[float, float, float]]]:
    rows = [(shift, shift.in_margins) for shift in shifts if shift.kind in (Kind.VALUE, Kind.TIME)]
    known = [(shift, ends) for shift, ends in rows if ends is not None]
    known.sort(key=lambda row: -max(abs(row[1][0]), abs(row[1][1]), abs(row[1][2])))
    return known[:_PLOT_ROWS]
