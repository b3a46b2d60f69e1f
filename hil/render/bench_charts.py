"""Control charts of a bench: one self-contained HTML page with the check standards as SVG, tables, and words."""

import csv
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from hil.core.check_standard import BASELINE, CUSUM_H, CUSUM_K, EWMA_WEIGHT, EWMA_WIDTH, INDIVIDUALS_WIDTH, Control
from hil.core.units import show
from hil.render.plots import BAD, FAINT, GOOD, INK, WARN, bare, blank, mark, scale, svg, the_look

if TYPE_CHECKING:
    from hil.app.bench_control import BenchControl, Recall

RULES = (
    f"one reading further than {INDIVIDUALS_WIDTH:g}·√(1 + 1/{BASELINE}) sigma from the centre",
    f"EWMA of weight {EWMA_WEIGHT:g} beyond {EWMA_WIDTH:g} of its own sigmas, the centre's uncertainty included",
    f"CUSUM with k = {CUSUM_K:g} sigma above h = {CUSUM_H:g} sigma, on either side",
)


def bench_page(control: "BenchControl", doubtful: "Recall | None", template: str, *, now: str) -> str:
    """The page; everything in it is escaped by the template engine.

    Args:
        template: text of the Jinja template.
        now: ISO time of the page.
    """
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    charted = sorted(control.controls, key=lambda one: (one.in_control, one.series.name))
    with the_look():
        plots = [(one.series.name, _words(one), _plot(one, control.simulated)) for one in charted if one.series.points]
    return environment.from_string(template).render(
        control=control, recall=doubtful, now=now, plots=plots, rules=RULES, baseline=BASELINE,
        rows=[value_row(one) for one in control.controls],
    )  # fmt: skip


def value_row(control: Control) -> dict[str, str]:
    """One charted value in words, for a table or a terminal."""
    series, unit = control.series, control.series.unit
    last = series.points[-1].value if series.points else None
    established = control.centre is not None
    return {
        "name": series.name,
        "count": str(len(series.points)),
        "last": _shown(last, unit),
        "centre": _shown(control.centre, unit) if established else f"not before {BASELINE} readings",
        "sigma": _shown(control.sigma, unit, 3) if established else "—",
        "lower": _shown(control.limits.lower, unit) if control.limits else "—",
        "upper": _shown(control.limits.upper, unit) if control.limits else "—",
        "state": _words(control),
    }


def _words(control: Control) -> str:
    if control.stops:
        return "OUT OF CONTROL: " + "; ".join(str(stop).split(": ", 1)[1] for stop in control.stops)
    if control.centre is None:
        return f"limits not established, {len(control.series.baseline)} of {BASELINE} readings"
    odd = f"; looks odd: {'; '.join(control.warnings)}" if control.warnings else ""
    return f"in control{odd}"


def _shown(value: float | None, unit: str, digits: int = 6) -> str:
    if value is None:
        return "—"
    return f"{value * 1e6:.2f} ppm" if unit == "" else show(value, unit, digits)


def points_csv(controls: Sequence[Control], *, simulated: bool) -> str:
    """Every reading of every check standard with its EWMA and CUSUM, one line a reading."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ("simulated", "name", "time", "value", "unit", "good", "phase", "centre", "sigma", "ewma", "cusum_high",
         "cusum_low")
    )  # fmt: skip
    for one in controls:
        series = one.series
        start = len(series.points) - len(one.monitored)
        for index, point in enumerate(series.points):
            sums: tuple[Any, ...] = ("", "", "")
            for begin, smooth, cusum in one.charts:
                at = index - start - begin
                if 0 <= at < len(smooth.points):
                    sums = (smooth.points[at], cusum.high[at], cusum.low[at])
            phase = "monitored" if one.centre is not None and index >= start else "baseline"
            known = (one.centre if one.centre is not None else "", one.sigma if one.sigma is not None else "")
            mark_text = "SIMULATED" if simulated else "no"
            writer.writerow(
                (mark_text, series.name, point.time, point.value, series.unit, int(point.good), phase, *known, *sums)
            )
    return out.getvalue()


def _plot(control: Control, simulated: bool) -> str:
    """Above: readings, limits, EWMA. Below: CUSUM in units of sigma."""
    series = control.series
    values = [point.value for point in series.points]
    factor, unit = scale(series.unit, values)
    if not series.unit:
        factor, unit = 1e6, "ppm"
    figure = blank(7.2, 3.2)
    above, below = figure.subplots(2, 1, height_ratios=(3, 1.2), sharex=True)
    figure.subplots_adjust(left=0.12, right=0.99, top=0.97, bottom=0.13, hspace=0.12)
    start = len(values) - len(control.monitored) if control.centre is not None else len(values)
    x = range(1, len(values) + 1)
    y = [value * factor for value in values]
    above.plot(x[:start], y[:start], "o", color=FAINT, markersize=3.5, label="baseline")
    above.plot(x[start:], y[start:], "o", color=INK, markersize=3.5, label="monitored")
    bad = [index for index, point in enumerate(series.points) if not point.good]
    above.plot([x[i] for i in bad], [y[i] for i in bad], "x", color=BAD, markersize=6, label="refused")
    if control.limits is not None and control.limits.lower is not None and control.limits.upper is not None:
        dashes = "-" if control.centre is not None else ":"
        for edge in (control.limits.lower, control.limits.upper):
            above.axhline(edge * factor, color=BAD, linewidth=1, linestyle=dashes)
    if control.centre is not None:
        above.axhline(control.centre * factor, color=GOOD, linewidth=0.8)
    for begin, smooth, sums in control.charts:
        at = [start + begin + 1 + index for index in range(len(smooth.points))]
        above.plot(at, [one * factor for one in smooth.points], color=WARN, linewidth=1.3, label="EWMA")
        above.plot(at, [one * factor for one in smooth.lower], color=WARN, linewidth=0.7, linestyle="--")
        above.plot(at, [one * factor for one in smooth.upper], color=WARN, linewidth=0.7, linestyle="--")
        sigma = control.sigma or 1.0
        below.plot(at, [one / sigma for one in sums.high], color=INK, linewidth=1)
        below.plot(at, [-one / sigma for one in sums.low], color=INK, linewidth=1)
        if begin:
            for axes in (above, below):
                axes.axvline(start + begin + 0.5, color=GOOD, linewidth=0.9, linestyle=":")
    for edge in (-CUSUM_H, CUSUM_H):
        below.axhline(edge, color=BAD, linewidth=1)
    below.set_ylim(-1.6 * CUSUM_H, 1.6 * CUSUM_H)
    for stop in control.stops:
        place = next(index for index, point in enumerate(series.points) if point.time == stop.time)
        above.plot([x[place]], [y[place]], "o", markersize=9, markerfacecolor="none", markeredgecolor=BAD)
    labels = dict(zip(*reversed(above.get_legend_handles_labels()), strict=True))
    above.legend(labels.values(), labels.keys(), fontsize=7, frameon=False, ncols=4, loc="upper left")
    above.margins(y=0.18)
    above.set_ylabel(unit or "value")
    below.set_ylabel("CUSUM / sigma")
    step = max(1, round(len(values) / 6))
    ticks = [index for index in range(1, len(values) + 1, step) if len(values) - index >= step / 2] + [len(values)]
    below.set_xticks(ticks, [f"{index}\n{series.points[index - 1].time[:10]}" for index in ticks], fontsize=7)
    bare(above, below)
    mark(figure, simulated)
    return svg(figure)
