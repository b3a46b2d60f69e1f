"""The one figure of a run: errors of the reference parts as shares of their limits, over both ranges.

The SVG is the same for the PDF, the HTML report and a file of its own. matplotlib is imported late and without
pyplot: only a run that draws pays for it.
"""

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hil.core.records import Verdict
from hil.core.units import show
from hil.render.results import Point

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RANGES = {"capacitance": (1e-12, 1e-6, "F"), "inductance": (1e-6, 1e-1, "H")}
COLOURS = {Verdict.PASS: "#1b6b4a", Verdict.FAIL: "#b3261e", Verdict.UNDECIDED: "#a66300"}
MARKERS = {Verdict.PASS: "o", Verdict.FAIL: "X", Verdict.UNDECIDED: "D"}
INK, PALE = "#22303c", "#dfe5ea"
SHOWN_SHARE = 2.0  # errors beyond this share of the limit are drawn at the edge, with their value


def preload() -> None:
    """Import what drawing needs; meant for a thread of its own while a unit is measured."""
    from matplotlib.backends import backend_svg
    from matplotlib.figure import Figure

    _ = backend_svg, Figure


def error_svg(points: Sequence[Point], *, simulated: bool, width_mm: float = 182.0, height_mm: float = 55.0) -> str:
    """Both ranges side by side as SVG text, the same bytes for the same points.

    Args:
        points: from `hil.render.results.points`.
        simulated: writes SIMULATED into the figure itself, across the data.
    """
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    style = {
        "svg.hashsalt": "hil",
        "svg.fonttype": "path",
        "font.family": "sans-serif",
        "font.sans-serif": ["DejaVu Sans"],
        "font.size": 6.2,
        "axes.linewidth": 0.5,
        "axes.edgecolor": INK,
        "text.color": INK,
        "axes.labelcolor": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "path.simplify": False,
    }
    with matplotlib.rc_context(style):
        figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4))
        FigureCanvasSVG(figure)
        for place, quantity in enumerate(RANGES):
            chosen = [point for point in points if point.quantity == quantity]
            _draw(figure.add_axes((0.055 + 0.495 * place, 0.16, 0.445, 0.72)), quantity, chosen, simulated)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


def _draw(axes: "Axes", quantity: str, points: Sequence[Point], simulated: bool) -> None:
    first, last, unit = RANGES[quantity]
    ordered = sorted(points, key=lambda point: point.reference)
    reach = SHOWN_SHARE if any(abs(point.share) > 1.25 for point in ordered) else 1.25
    axes.axhspan(-1, 1, color="#e9f2ee", linewidth=0)
    for edge in (-1, 1):
        axes.axhline(edge, color=COLOURS[Verdict.FAIL], linewidth=0.8)
    axes.axhline(0, color=INK, linewidth=0.4)
    if simulated:
        axes.text(0.5, 0.5, "SIMULATED", transform=axes.transAxes, ha="center", va="center", rotation=10,
                  fontsize=24, color="#b3261e", alpha=0.16, weight="bold", zorder=1)  # fmt: skip
    xs = [point.reference for point in ordered]
    if any(point.accept_upper_share != 1 or point.accept_lower_share != -1 for point in ordered):
        for shares in ([p.accept_lower_share for p in ordered], [p.accept_upper_share for p in ordered]):
            axes.plot(xs, shares, color="#5f7d6f", linewidth=0.5, linestyle=(0, (3, 2)))
    for point in ordered:
        _mark(axes, point, reach)
    if not ordered:
        axes.text(0.5, 0.25, "not measured", transform=axes.transAxes, ha="center", va="center", fontsize=8)
    axes.set_xscale("log")
    axes.set_xlim(first / 1.7, last * 1.7)
    axes.set_ylim(-reach, reach)
    decades = [first * 10**step for step in range(_decades(first, last) + 1)]
    axes.set_xticks(decades, [show(decade, unit, 1) for decade in decades])
    axes.set_yticks([-1, -0.5, 0, 0.5, 1], ["−100", "−50", "0", "+50", "+100"])
    axes.tick_params(which="both", length=2, width=0.4, pad=2)
    axes.grid(axis="x", color=PALE, linewidth=0.4)
    axes.set_axisbelow(True)
    says = "SIMULATED: " if simulated else ""
    axes.set_title(f"{says}{quantity}, error in % of limit, bars U", fontsize=6.6, loc="left", pad=3)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _mark(axes: "Axes", point: Point, reach: float) -> None:
    colour = COLOURS.get(point.verdict, INK)
    inside = max(-0.96 * reach, min(0.96 * reach, point.share))
    if inside == point.share:
        axes.errorbar(point.reference, point.share, yerr=point.uncertainty_share or None, fmt="none",
                      ecolor=colour, elinewidth=0.6, capsize=1.2, capthick=0.5, zorder=3)  # fmt: skip
    else:
        above = point.share > 0
        axes.annotate(f"{100 * point.share:+.0f} %".replace("-", "−"), (point.reference, inside), fontsize=5.5,
                      xytext=(3, -2 if above else 0), textcoords="offset points", color=colour)  # fmt: skip
    axes.plot([point.reference], [inside], marker=MARKERS.get(point.verdict, "o"), markersize=2.8, color=colour,
              markeredgewidth=0, linestyle="none", zorder=4)  # fmt: skip


def _decades(first: float, last: float) -> int:
    return round(math.log10(last / first))
