"""Risks as a table, as JSON, and drawn."""

from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal

from rich import box
from rich.console import Console
from rich.table import Table

if TYPE_CHECKING:
    from hil.app.risk import CheckRisk, Risks
    from hil.core.population import Agreement


LEAST_WIDTH = 120  # what the table needs; a narrower screen wraps it


def print_risks(risks: "Risks", screen: IO[str]) -> None:
    """One line a check, the unit as a whole last."""
    console = Console(file=screen, highlight=False, markup=False, soft_wrap=True)
    console.width = max(console.width, LEAST_WIDTH)
    console.print(f"process {risks.process}, {risks.units} units simulated; shares of all units")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    columns: tuple[tuple[str, Literal["left", "right"]], ...] = (
        ("check", "left"), ("rule", "left"), ("T/U", "right"), ("conform", "right"),
        ("bad and accepted", "right"), ("counted", "right"), ("good and rejected", "right"), ("counted", "right"),
        ("", "left"),
    )  # fmt: skip
    for heading, side in columns:
        table.add_column(heading, justify=side, no_wrap=True)
    for entry in (*risks.checks, risks.whole):
        table.add_row(*_line(entry), end_section=entry is risks.checks[-1])
    console.print(table)
    _print_left_out(risks, console)
    odd = [entry.name for entry in (*risks.checks, risks.whole) if not entry.agrees]
    said = f"differ in: {', '.join(odd)}" if odd else "agree"
    console.print(f"prediction and count {said} (exact intervals, {risks.confidence:.0%} simultaneous)")


def _print_left_out(risks: "Risks", console: Console) -> None:
    names: dict[str, list[str]] = {}
    for name, why in risks.left_out:
        names.setdefault(why, []).append(name)
    for why, left in names.items():
        console.print(f"left out, {why}: {', '.join(left)}")
    if any("process" in why for why in names):
        console.print(
            "To have them counted, give mean and sd of each as [check.NAME] in a process file (--process FILE): "
            "'hil risk --from-lot LOT --save-process FILE' writes one from a recorded lot, and qm2 is an example."
        )


def _line(entry: "CheckRisk") -> tuple[str, ...]:
    return (
        entry.name,
        entry.rule.replace("_", " "),
        "—" if entry.ratio is None else f"{entry.ratio:.1f}",
        f"{entry.predicted.conforming:.3%}",
        f"{entry.predicted.false_acceptance:.4%}",
        f"{entry.counted.false_acceptance / entry.counted.units:.4%}",
        f"{entry.predicted.false_rejection:.4%}",
        f"{entry.counted.false_rejection / entry.counted.units:.4%}",
        "" if entry.agrees else "differs",
    )


def as_json(risks: "Risks") -> dict[str, Any]:
    """One object; ``ratio`` null for one-sided limits and exact readings."""
    return {
        "format": 1,
        "process": risks.process,
        "units": risks.units,
        "confidence": risks.confidence,
        "agrees": risks.agrees,
        "checks": [_object(entry) for entry in risks.checks],
        "unit": _object(risks.whole),
        "left_out": [{"name": name, "reason": why} for name, why in risks.left_out],
    }


def _object(entry: "CheckRisk") -> dict[str, Any]:
    return {
        "name": entry.name,
        "rule": entry.rule,
        "ratio": entry.ratio,
        "conforming": entry.predicted.conforming,
        "accepted": entry.predicted.accepted,
        "rejected": entry.predicted.rejected,
        "undecided": entry.predicted.undecided,
        "bad_among_accepted": entry.predicted.bad_among_accepted,
        "good_among_rejected": entry.predicted.good_among_rejected,
        "false_acceptance": _agreement(entry.false_acceptance),
        "false_rejection": _agreement(entry.false_rejection),
    }


def _agreement(found: "Agreement") -> dict[str, Any]:
    return {
        "predicted": found.predicted,
        "counted": found.counted,
        "interval": list(found.interval),
        "agrees": found.agrees,
    }


def plot_risks(risks: "Risks", path: Path) -> None:
    """Predicted share of each check against the exact interval of its count, both logarithmic."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, 5), layout="constrained")
    FigureCanvasAgg(figure)
    for place, what in enumerate(("false_acceptance", "false_rejection"), start=1):
        axes = figure.add_subplot(1, 2, place)
        found = [getattr(entry, what) for entry in (*risks.checks, risks.whole)]
        seen = [one for one in found if one.counted > 0 and one.predicted > 0]
        for one in seen:
            share = one.counted / one.units
            reach = [[share - one.interval[0]], [one.interval[1] - share]]
            colour = "tab:blue" if one.agrees else "tab:red"
            axes.errorbar([one.predicted], [share], yerr=reach, fmt="o", markersize=3, color=colour, linewidth=1)
        if seen:
            ends = [min(one.predicted for one in seen) / 2, max(one.predicted for one in seen) * 2]
            axes.plot(ends, ends, color="gray", linewidth=0.7)
            axes.set_xscale("log")
            axes.set_yscale("log")
        axes.set_xlabel("predicted share of all units")
        axes.set_ylabel(f"counted, with exact intervals ({risks.confidence:.0%} simultaneous)")
        axes.set_title("bad and accepted" if what == "false_acceptance" else "good and rejected")
    figure.savefig(path, dpi=150)
