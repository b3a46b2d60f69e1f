"""A budget as a table with bars, and as JSON."""

import math
from dataclasses import asdict
from typing import IO, TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

from hil.core.units import show

if TYPE_CHECKING:
    from hil.app.budget_sources import Shown

BAR = 24


def print_budget(shown: "Shown", screen: IO[str]) -> None:
    """Rows with the largest first; the bar is a row's part of the variance."""
    console = Console(file=screen, highlight=False)
    table = Table(title=f"{shown.name}: {shown.title}" if shown.title else shown.name, caption=shown.source)
    for heading, side in (
        ("influence", "left"), ("u", "right"), ("", "left"), ("distribution", "left"), ("dof", "right"),
        ("sensitivity", "right"), ("contribution", "right"), ("part of the variance", "left"),
    ):  # fmt: skip
        table.add_column(heading, justify=side, no_wrap=heading in ("u", "contribution"))  # type: ignore[arg-type]
    variance = math.fsum(row.contribution**2 for row in shown.rows)
    for row in sorted(shown.rows, key=lambda row: -row.contribution):
        share = row.contribution**2 / variance if variance else 0.0
        table.add_row(
            row.name,
            show(row.standard_uncertainty, row.unit, 3),
            row.kind,
            row.distribution,
            "∞" if row.dof is None else f"{row.dof:.0f}",
            f"{row.sensitivity:.4g}",
            show(row.contribution, shown.unit, 3),
            f"{'█' * round(share * BAR):<{BAR}} {share:4.0%}",
        )
    console.print(table)
    dof = "∞" if shown.effective_dof is None else f"{math.floor(shown.effective_dof)}"
    words = (
        f"u = {show(shown.standard_uncertainty, shown.unit, 3)}, effective dof {dof}, k = {shown.coverage_factor:.2f}"
    )
    words += f", U = {show(shown.expanded_uncertainty, shown.unit, 2)}"
    if shown.ratio is not None:
        words += f", tolerance over U {shown.ratio:.1f}"
    console.print(words)
    if shown.comparison is None:
        console.print("correlated rows: not held against Monte Carlo here\n")
    else:
        found = shown.comparison
        said = "agrees with" if found.is_validated else "differs from"
        console.print(
            f"the interval {said} Monte Carlo: ends differ by {show(found.low_difference, shown.unit, 2)} and "
            f"{show(found.high_difference, shown.unit, 2)}, {show(found.tolerance, shown.unit, 2)} allowed "
            "(JCGM 101 clause 8)\n"
        )


def as_json(shown: "Shown") -> dict[str, Any]:
    """One object; infinite degrees of freedom are null."""
    found = asdict(shown)
    if shown.comparison is not None:
        found["comparison"]["is_validated"] = shown.comparison.is_validated
    return {"format": 1, **found}
