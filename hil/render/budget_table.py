"""A budget as a table with bars, and as JSON."""

import math
from dataclasses import asdict
from typing import IO, TYPE_CHECKING, Any, Literal

from rich import box
from rich.console import Console
from rich.table import Table

from hil.core.units import show

if TYPE_CHECKING:
    from hil.app.budget_sources import Shown

BAR = 16
MANY = 1e6  # degrees of freedom that nobody needs to tell from infinity
SHORT = {"rectangular": "rect.", "triangular": "triang.", "normal": "normal"}


LEAST_WIDTH = 110  # what the table needs; a narrower screen wraps it


def print_budget(shown: "Shown", screen: IO[str]) -> None:
    """Rows with the largest first; the bar is a row's part of the variance."""
    console = Console(file=screen, highlight=False, markup=False, soft_wrap=True)
    console.width = max(console.width, LEAST_WIDTH)
    table = Table(
        title=f"{shown.name}: {shown.title}" if shown.title else shown.name,
        title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0),
    )  # fmt: skip
    sides: tuple[tuple[str, Literal["left", "right"]], ...] = (
        ("influence", "left"), ("u", "right"), ("kind", "left"), ("dof", "right"), ("contribution", "right"),
        ("part of the variance", "left"),
    )  # fmt: skip
    for heading, side in sides:
        table.add_column(heading, justify=side, no_wrap=True)
    variance = math.fsum(row.contribution**2 for row in shown.rows)
    for row in sorted(shown.rows, key=lambda row: -row.contribution):
        share = row.contribution**2 / variance if variance else 0.0
        table.add_row(
            row.name,
            _short(row.standard_uncertainty, row.unit),
            f"{row.kind} {SHORT.get(row.distribution, row.distribution)}",
            _dof(row.dof),
            _short(row.contribution, shown.unit),
            f"{'█' * round(share * BAR):<{BAR}} {share:4.0%}",
        )
    console.print(table)
    words = f"u = {_short(shown.standard_uncertainty, shown.unit)}, effective dof {_dof(shown.effective_dof)}"
    words += f", k = {shown.coverage_factor:.2f}, U = {_short(shown.expanded_uncertainty, shown.unit, 2)}"
    if shown.ratio is not None:
        words += f", test uncertainty ratio {shown.ratio:.1f}"
    console.print(f"{words}; {shown.source}")
    if shown.notes:
        console.print("\n".join(shown.notes) + "\n")
    elif shown.comparison is None:
        console.print("correlated rows: not held against Monte Carlo here\n")
    else:
        found = shown.comparison
        said = "agrees with" if found.is_validated else "differs from"
        console.print(
            f"the interval {said} Monte Carlo: ends differ by {_short(found.low_difference, shown.unit, 2)} and "
            f"{_short(found.high_difference, shown.unit, 2)}, {_short(found.tolerance, shown.unit, 2)} allowed "
            "(JCGM 101 clause 8)\n"
        )


def _dof(dof: float | None) -> str:
    return "∞" if dof is None or dof > MANY else f"{math.floor(dof + 1e-9)}"


def _short(value: float, unit: str, digits: int = 3) -> str:
    """With a prefix; small ratios and what is below the smallest prefix in exponent form."""
    if value and ((unit == "" and abs(value) < 1e-3) or abs(value) < 1e-15):
        return f"{value:.{digits - 1}e} {unit}".rstrip()
    return show(value, unit, digits)


def as_json(shown: "Shown") -> dict[str, Any]:
    """One object; infinite degrees of freedom are null."""
    found = asdict(shown)
    if shown.comparison is not None:
        found["comparison"]["is_validated"] = shown.comparison.is_validated
    return {"format": 1, **found}
