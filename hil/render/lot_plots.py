"""Plots of the lot report: the Pareto of failures, and a check over time, by group, and against its limits."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hil.render.plots import ACCENTS, BAD, FAINT, INK, WARN, bare, blank, mark, scale, svg

if TYPE_CHECKING:
    from hil.app.lot_effects import Effect
    from hil.app.lot_figures import CheckFigures, LotFigures

MOST_BARS = 15
MOST_DOTS = 1500  # a page cannot show more
MOST_GROUPS = 8


def pareto(figures: "LotFigures", titles: dict[str, str]) -> str:
    """Checks that units failed first time, the most frequent on top."""
    rows = figures.failures[:MOST_BARS]
    figure = blank(7.2, 0.5 + 0.24 * len(rows))
    axes = figure.subplots()
    figure.subplots_adjust(left=0.33, right=0.98, top=0.99, bottom=0.36 / (0.5 + 0.24 * len(rows)))
    places = range(len(rows), 0, -1)
    axes.barh(list(places), [count for _, count, _ in rows], color=BAD, height=0.65)
    axes.set_yticks(list(places), [_short(titles.get(name, name)) for name, _, _ in rows], fontsize=7)
    for place, (_, count, share) in zip(places, rows, strict=True):
        axes.text(count, place, f" {count}  ({100 * share:.0f} % cumulated)", va="center", fontsize=7)
    axes.set_xlabel("units that failed it at their first check")
    axes.set_xlim(0, 1.3 * rows[0][1])
    axes.locator_params(axis="x", integer=True)
    bare(axes)
    mark(figure, figures.simulated)
    return svg(figure)


def _short(title: str) -> str:
    return title if len(title) <= 44 else f"{title[:43]}…"


class CheckPlots:
    """Draws checks of a lot one after the other on the same sheets: new axes and ticks would take twice the time."""

    def __init__(self, figures: "LotFigures") -> None:
        self._figures = figures
        self._sheets: dict[bool, tuple[Any, tuple[Any, ...]]] = {}

    def draw(self, check: "CheckFigures", effects: Sequence["Effect"]) -> str:
        """Left: values in the order of time, groups that stand out in colour. Middle: by group. Right: histogram.

        Args:
            effects: on this check, the strongest first; those with a group are coloured.
        """
        coloured = _coloured(effects)
        if bool(coloured) not in self._sheets:
            self._sheets[bool(coloured)] = _sheet(with_groups=bool(coloured), simulated=self._figures.simulated)
        figure, all_axes = self._sheets[bool(coloured)]
        over_time, *between, spread = all_axes
        factor, unit = scale(check.unit, [*_edges(check), float(np.abs(check.values).max())])
        y = check.values * factor
        _over_time(over_time, check, self._figures, coloured, y)
        for by_group in between:
            _by_group(by_group, check, self._figures, coloured[0][0], coloured, y)
        counts, bounds = np.histogram(y, bins=min(40, max(6, int(math.sqrt(y.size)))))
        spread.stairs(counts, bounds, orientation="horizontal", fill=True, color=FAINT)  # one shape, not one a bin
        for axes in all_axes:
            for edge in (check.lower, check.upper):
                if edge is not None:
                    axes.axhline(edge * factor, color=BAD, linewidth=1)
            for edge, limit in ((check.accept_lower, check.lower), (check.accept_upper, check.upper)):
                if edge is not None and edge != limit:
                    axes.axhline(edge * factor, color=WARN, linewidth=0.8, linestyle="--")
        label = "deviation" if check.is_deviation else "value"
        over_time.set_ylabel(f"{label}, {unit}" if unit else label)
        text = svg(figure)
        for axes in all_axes:
            for artist in (*axes.lines, *axes.patches, *axes.texts):
                artist.remove()
            axes.relim()
        return text


def _sheet(*, with_groups: bool, simulated: bool) -> tuple[Any, tuple[Any, ...]]:
    """A figure and its axes, still empty."""
    figure = blank(7.2, 2.1)
    widths = (5, 2, 2) if with_groups else (5, 2)
    all_axes = tuple(figure.subplots(1, len(widths), width_ratios=widths, sharey=True))
    # Margins by hand: an automatic layout draws every figure three times.
    figure.subplots_adjust(left=0.1, right=0.99, top=0.9 if with_groups else 0.96, bottom=0.2, wspace=0.06)
    for axes in all_axes:
        axes.locator_params(axis="y", nbins=5)
    for axes in all_axes[1:]:  # theirs is the axis on the left
        axes.yaxis.set_visible(False)
    over_time, *_, spread = all_axes
    over_time.locator_params(axis="x", nbins=6)
    spread.locator_params(axis="x", nbins=3)
    bare(*all_axes)
    # Places by hand here too, instead of beside the boxes of all tick labels.
    over_time.yaxis.set_label_coords(-0.085 / over_time.get_position().width, 0.5)
    for axes in all_axes:
        axes.xaxis.set_label_coords(0.5, -0.15)
    over_time.set_xlabel("unit, in the order of time")
    spread.set_xlabel("units")
    mark(figure, simulated)
    return figure, all_axes


def _edges(check: "CheckFigures") -> list[float]:
    return [edge for edge in (check.lower, check.upper) if edge is not None]


def _coloured(effects: Sequence["Effect"]) -> list[tuple[str, str, str]]:
    """(grouping, group, colour) of the groups that stand out."""
    groups = list(dict.fromkeys((one.grouping, one.group) for one in effects if one.grouping))
    return [(grouping, group, colour) for (grouping, group), colour in zip(groups, ACCENTS, strict=False)]


def _over_time(
    axes: Any,
    check: "CheckFigures",
    figures: "LotFigures",
    coloured: Sequence[tuple[str, str, str]],
    y: NDArray[np.float64],
) -> None:
    x = np.arange(1, y.size + 1)
    shown = np.linspace(0, y.size - 1, MOST_DOTS).astype(int) if y.size > MOST_DOTS else np.arange(y.size)
    size = 1.5 if y.size <= 300 else 1.1 if y.size <= 1500 else 1.0
    rest = np.ones(y.size, dtype=bool)
    masks = []
    for grouping, group, colour in coloured:
        inside = figures.labels[grouping][check.places] == group
        masks.append((inside, colour, f"{grouping.replace('_', ' ')} {group}"))
        rest &= ~inside
    _dots(axes, x[shown][rest[shown]], y[shown][rest[shown]], size, FAINT)
    for inside, colour, _ in reversed(masks):  # the strongest on top
        picked = inside[shown]
        _dots(axes, x[shown][picked], y[shown][picked], size + 0.4, colour)
    _running_mean(axes, x[rest], y[rest], INK)
    for inside, colour, _ in masks:
        _running_mean(axes, x[inside], y[inside], colour)
    names = [(words, colour) for _, colour, words in masks] + ([("others", INK)] if masks and rest.any() else [])
    left = 0.01
    for words, colour in names:
        axes.text(left, 1.03, f"● {words}", color=colour, fontsize=8, transform=axes.transAxes, weight="bold")
        left += 0.06 + 0.0215 * len(words)  # wide enough for any sans serif


def _dots(axes: Any, x: NDArray[np.int_], y: NDArray[np.float64], size: float, colour: str) -> None:
    """All dots as one path of lines without length and with round ends; markers would be an element each."""
    gaps = np.full(x.size, np.nan)
    axes.plot(
        np.column_stack((x, x, gaps)).ravel(), np.column_stack((y, y, gaps)).ravel(), color=colour, linewidth=size,
        solid_capstyle="round",
    )  # fmt: skip


def _running_mean(axes: Any, x: NDArray[np.int_], y: NDArray[np.float64], colour: str) -> None:
    width = max(5, y.size // 15)
    if y.size >= 2 * width:
        kernel = np.ones(width) / width
        step = max(1, y.size // 1000)
        centre, mean = np.convolve(x, kernel, mode="valid")[::step], np.convolve(y, kernel, mode="valid")[::step]
        axes.plot(centre, mean, color=colour, linewidth=1.6)


def _by_group(
    axes: Any,
    check: "CheckFigures",
    figures: "LotFigures",
    grouping: str,
    coloured: Sequence[tuple[str, str, str]],
    y: NDArray[np.float64],
) -> None:
    """Median, quartiles and the middle 90 % of each group; the groups that stand out first."""
    labels = figures.labels[grouping][check.places]
    colours = {group: colour for name, group, colour in coloured if name == grouping}
    groups = [*colours, *(one for one in sorted({str(label) for label in labels}) if one not in colours)][:MOST_GROUPS]
    for place, group in enumerate(groups):
        here = y[labels == group]
        low, first, middle, third, high = np.quantile(here, (0.05, 0.25, 0.5, 0.75, 0.95))
        colour = colours.get(group, INK)
        axes.plot([place, place], [low, high], color=colour, linewidth=0.8)
        axes.plot([place, place], [first, third], color=colour, linewidth=5, alpha=0.55, solid_capstyle="butt")
        axes.plot([place], [middle], "_", color=colour, markersize=10, markeredgewidth=1.8)
    axes.set_xticks(range(len(groups)), [group[-9:] or "none" for group in groups], fontsize=6.5,
                    rotation=0 if len(groups) <= 3 else 30)  # fmt: skip
    axes.set_xlim(-0.6, len(groups) - 0.4)
    axes.text(0.02, 1.03, f"by {grouping.replace('_', ' ')}", fontsize=8, transform=axes.transAxes)
