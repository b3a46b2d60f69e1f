"""Limits by their test uncertainty ratio, as a table and as JSON."""

from collections.abc import Sequence
from typing import IO, TYPE_CHECKING, Any

from rich import box
from rich.console import Console
from rich.table import Table

from hil.core.units import show

if TYPE_CHECKING:
    from hil.app.expected import Expected

LEAST_WIDTH = 120  # what the table needs; a narrower screen wraps it


def print_ratios(listed: Sequence["Expected"], rows: Sequence["Expected"], least: float, screen: IO[str]) -> None:
    """The listed limits, what would have to improve, and how they stand among all of them.

    Args:
        rows: all limits that were looked at.
        least: ratio that is wanted.
    """
    console = Console(file=screen, highlight=False, markup=False, soft_wrap=True)
    console.width = max(console.width, LEAST_WIDTH)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("limit", no_wrap=True)
    for heading in ("tolerance", "U", "ratio"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column(f"for a ratio of {least:g}", min_width=50)
    for row in listed:
        limit, budget, ratio = row.limit, row.budget, row.ratio
        if budget is None or ratio is None:
            continue
        half = ratio * budget.expanded_uncertainty
        table.add_row(
            limit.name,
            f"±{_shown(half, limit.unit)}",
            _shown(budget.expanded_uncertainty, limit.unit),
            f"{ratio:.1f}",
            row.improvement(least) + ("" if row.decides else "; decides nothing now"),
        )
    if listed:
        console.print(table)
    two_sided = [row for row in rows if row.ratio is not None]
    below = [row for row in two_sided if row.ratio is not None and row.ratio < least]
    nothing = sum(not row.decides for row in two_sided)
    console.print(
        f"{len(below)} of {len(two_sided)} limits have a test uncertainty ratio (tolerance over 2U) below {least:g}; "
        f"{nothing} decide nothing (ratio of 1 or less)"
    )
    console.print(
        f"{len(rows) - len(two_sided)} have none: one-sided, exact, or measured by nothing of stated accuracy"
    )


def _shown(value: float, unit: str) -> str:
    return f"{value:.2e}" if unit == "" and 0 < value < 1e-3 else show(value, unit, 3)


def as_json(row: "Expected", least: float) -> dict[str, Any]:
    """One object a limit; ``ratio`` null where there is none."""
    limit, budget = row.limit, row.budget
    return {
        "format": 1,
        "name": limit.name,
        "unit": limit.unit,
        "lower": limit.lower,
        "upper": limit.upper,
        "rule": limit.rule.kind,
        "expanded_uncertainty": budget.expanded_uncertainty if budget else None,
        "ratio": row.ratio,
        "decides": row.decides,
        "improvement": row.improvement(least),
    }
