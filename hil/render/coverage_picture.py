"""The schematic as a picture, each component coloured by how much of what may be wrong with it is caught.

Colour alone tells nobody with poor colour vision anything, so the share stands on each component, and what could be
seen but is not always caught has a thick edge.
"""

import io
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from hil.core.coverage import Coverage, Total

if TYPE_CHECKING:
    from hil.circuit.netlist import Netlist
    from hil.files.layout import Layout

INK, FAINT, EDGE = "#22303c", "#c3ccd3", "#b3261e"
_WIDE, _HIGH = 0.82, 0.62  # of a place
_NEAR = 3.2  # places; a line farther than this leads to another block
_SIZES = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}


def coverage_picture(coverage: Coverage, netlist: "Netlist", layout: "Layout", *, file_format: str) -> bytes:
    """PNG, SVG or PDF; the same coverage gives the same bytes."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    columns = max(block.at[0] + block.columns for block in layout.blocks)
    rows = max(block.at[1] + block.rows for block in layout.blocks)
    figure = Figure(figsize=(0.86 * columns + 1.2, 0.78 * rows + 1.5))
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.02, 0.08, 0.96, 0.86))
    _blocks(axes, layout)
    _wires(axes, netlist, layout.places)
    _components(axes, {total.name: total for total in coverage.by_component()}, layout.places)
    axes.set_xlim(-0.7, columns + 0.1)
    axes.set_ylim(rows - 0.2, -1.1)
    axes.set_axis_off()
    _legend(figure, coverage)
    with mpl.rc_context({"svg.hashsalt": "hil"}):
        buffer = io.BytesIO()
        figure.savefig(buffer, format=file_format, metadata=_SIZES.get(file_format, {}), dpi=120)
    return buffer.getvalue()


def _blocks(axes: Any, layout: "Layout") -> None:
    from matplotlib.patches import FancyBboxPatch

    for block in layout.blocks:
        column, row = block.at
        axes.add_patch(
            FancyBboxPatch(
                (column - 0.5, row - 0.62), block.columns, block.rows + 0.12, boxstyle="round,pad=0.04",
                facecolor="#f5f7f8", edgecolor=FAINT, linewidth=0.8, zorder=0,
            )
        )  # fmt: skip
        axes.text(column - 0.46, row - 0.5, block.title, fontsize=7, color=INK, va="center", style="italic", zorder=3)


def _wires(axes: Any, netlist: "Netlist", places: Mapping[str, tuple[int, int]]) -> None:
    """Signal nets as lines that join all components on one, fainter between blocks; rails and ground not at all."""
    silent = {netlist.ground, *netlist.rails, ""}
    for net in netlist.nets():
        if net in silent:
            continue
        members = [part.designator for part in netlist.components if any(pin.net == net for pin in part.pins)]
        for first, second in _tree([places[name] for name in members]):
            near = math.dist(first, second) <= _NEAR
            style = {"linewidth": 1.2} if near else {"linewidth": 0.6, "linestyle": ":"}
            axes.plot([first[0], second[0]], [first[1], second[1]], color=FAINT, zorder=1, **style)


def _tree(points: Sequence[tuple[int, int]]) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Lines that join all points and are shortest together."""
    joined, left, lines = list(points[:1]), list(points[1:]), []
    while left:
        first, second = min(((one, other) for one in joined for other in left), key=lambda pair: math.dist(*pair))
        lines.append((first, second))
        joined.append(second)
        left.remove(second)
    return lines


def _components(axes: Any, totals: Mapping[str, Total], places: Mapping[str, tuple[int, int]]) -> None:
    from matplotlib import colormaps
    from matplotlib.patches import Rectangle

    colours = colormaps["RdYlGn"]
    for name, (column, row) in places.items():
        total = totals.get(name)
        share = total.weighted_share if total is not None else math.nan
        colour = "white" if math.isnan(share) else colours(0.12 + 0.76 * share)
        hides = total is not None and total.visible_caught < total.visible - 1e-9
        axes.add_patch(
            Rectangle(
                (column - _WIDE / 2, row - _HIGH / 2), _WIDE, _HIGH, facecolor=colour,
                edgecolor=EDGE if hides else INK, linewidth=2.0 if hides else 0.7, zorder=2,
            )
        )  # fmt: skip
        said = "—" if math.isnan(share) else f"{share:.0%}"
        axes.text(column, row - 0.11, name, ha="center", va="center", fontsize=8, color=INK, weight="bold", zorder=3)
        axes.text(column, row + 0.15, said, ha="center", va="center", fontsize=7, color=INK, zorder=3)


def _legend(figure: Any, coverage: Coverage) -> None:
    total = coverage.total()
    whole = "what may go wrong" if total.weight > 1 - 1e-6 else f"{total.faults} faults that were tried"
    title = f"SIMULATED. Fault coverage: {total.weighted_share:.1%} of {whole}, by weight"
    if total.visible:
        title += f"; {total.visible_weighted_share:.1%} of what can be seen from outside"
    figure.text(0.02, 0.965, title, fontsize=11, color=INK, weight="bold", va="center")
    figure.text(
        0.02, 0.03,
        "Share of each component's faults that is caught, by weight. Thick red edge: a fault that could be seen is not "
        "always caught. Lines: signal nets.",
        fontsize=7.5, color=INK, va="center",
    )  # fmt: skip
