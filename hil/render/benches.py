"""Agreement of benches as a table in words and as JSON."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, TextIO

from hil.core.benches import Agreement, Off
from hil.core.compare import Finding
from hil.core.units import show

_WORDS = {Finding.SAME: "agree", Finding.CHANGED: "differ", Finding.CANNOT_TELL: "cannot tell"}
_STYLES = {Finding.SAME: "green", Finding.CHANGED: "bold red", Finding.CANNOT_TELL: "yellow"}


def print_agreement(
    agreement: Agreement, stream: TextIO, *, simulated: bool, who_moved: Sequence[str] = (), every: bool = False
) -> None:
    """Print the rows that are worth a look (or every one), what they amount to, and which bench has moved."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(file=stream, width=None if stream.isatty() else 180, highlight=False, markup=False)
    benches = " and ".join(agreement.benches)
    console.print(f"benches {benches}: {len(agreement.units)} units on both" + ("  SIMULATED" if simulated else ""))
    table = Table(box=None, pad_edge=False)
    for heading in ("check", "bench", "off by", "90 % interval", "margin", "worst E_n", "", ""):
        table.add_column(heading, overflow="fold")
    for one in agreement.rows:
        if every or one.words:
            finding = one.shift.finding
            table.add_row(*_cells(one), Text(_WORDS[finding], style=_STYLES[finding]), one.words)
    if table.row_count:
        console.print(table)
    counts = {finding: len(agreement.of(finding)) for finding in Finding}
    console.print(", ".join(f"{count} {_WORDS[finding]}" for finding, count in counts.items() if count))
    for pattern in agreement.patterns:
        console.print(
            f"{pattern.bench} is off in {pattern.rows} of {pattern.of} checks in {pattern.unit or 'ratios'}; "
            f"the middle one by {100 * pattern.ratio:+.2g} % of the reading"
        )
    for words in who_moved:
        console.print(words)


def _cells(one: Off) -> tuple[str, ...]:
    shift = one.shift
    worst = f"{one.worst_e_n:+.2f}" if one.worst_e_n is not None else ""
    if shift.difference is None:
        return one.row, one.bench, "", "", "", worst
    lower, upper = shift.difference.interval()
    margin = f"±{show(shift.margin, one.unit, 3)}" if shift.margin else ""
    interval = f"{show(lower, one.unit, 3)} to {show(upper, one.unit, 3)}" if math.isfinite(upper) else "one unit"
    return one.row, one.bench, show(shift.difference.value, one.unit, 3), interval, margin, worst


def agreement_json(agreement: Agreement, *, simulated: bool, who_moved: Sequence[str] = ()) -> dict[str, Any]:
    """One object: benches, units, every row."""
    return {
        "format": 1,
        "simulated": simulated,
        "benches": list(agreement.benches),
        "units": list(agreement.units),
        "patterns": [asdict(one) for one in agreement.patterns],
        "who_moved": list(who_moved),
        "checks": [_row(one) for one in agreement.rows],
    }


def _row(one: Off) -> dict[str, Any]:
    shift = one.shift
    lower, upper = shift.difference.interval() if shift.difference is not None else (math.nan, math.nan)
    return {
        "name": one.row,
        "bench": one.bench,
        "unit": one.unit,
        "finding": _WORDS[shift.finding],
        "off_by": shift.difference.value if shift.difference is not None else None,
        "lower": lower if math.isfinite(lower) else None,
        "upper": upper if math.isfinite(upper) else None,
        "margin": shift.margin,
        "units": shift.unit_count,
        "e_n": dict(one.e_n),
        "words": one.words,
    }
