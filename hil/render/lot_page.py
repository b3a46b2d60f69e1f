"""The lot report as one self-contained HTML page: plots as SVG inside it, nothing fetched, fit for paper.

What matters comes first, in words: yields, then what stands out (effects of groups, drifts, processes out of control,
outliers), then the checks one by one with histograms against limits and acceptance zones.
"""

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from hil.core.units import show

if TYPE_CHECKING:
    from hil.app.lot_figures import CheckFigures, Drift, Effect, LotFigures

INK, GOOD, BAD, WARN, FAINT = "#22303c", "#1b6b4a", "#b3261e", "#a66300", "#9fb0bd"
MOST_PLOTS = 16  # histograms on the page: what fails, drifts or stands out, then the least capable
GROUPING_WORDS = {
    "operator": "operator", "bench": "bench", "component_lot": "component lot", "firmware": "firmware",
}  # fmt: skip


def lot_page(figures: "LotFigures", template: str, *, now: str) -> str:
    """The page; everything in it is escaped by the template engine.

    Args:
        template: text of the Jinja template.
        now: ISO time of the report.
    """
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters["percent"] = lambda share: "—" if math.isnan(share) else f"{100 * share:.1f} %"
    environment.filters["index"] = lambda value: "—" if value is None else f"{value:.2f}"
    shown = _worth_showing(figures)
    return environment.from_string(template).render(
        figures=figures,
        now=now,
        findings=findings(figures),
        checks=[_row(one) for one in figures.checks],
        causes=figures.causes,
        plots=plots(figures, shown),
        hours=None if figures.actual_s is None else figures.actual_s * figures.runs / 3600,
    )


def findings(figures: "LotFigures") -> list[str]:
    """What a reader should know first, one sentence each, the strongest first; alike ones are said once."""
    by_name = {one.name: one for one in figures.checks}
    said: list[tuple[float, str]] = []
    groups: dict[tuple[str, str], list[Effect]] = {}
    for effect in figures.effects:
        groups.setdefault((effect.grouping, effect.group), []).append(effect)
    for (grouping, group), effects in groups.items():
        first = effects[0]
        check = by_name[first.check]
        more = f", and {len(effects) - 1} more checks likewise" if len(effects) > 1 else ""
        said.append(
            (
                abs(first.shift_sd) + 0.1 * len(effects),
                f"{GROUPING_WORDS[grouping].capitalize()} {group or '(none named)'} reads {check.title} "
                f"{show(abs(first.shift), check.unit, 3)} {'higher' if first.shift > 0 else 'lower'} than the others "
                f"({abs(first.shift_sd):.1f} standard deviations, {first.count} units){more}.",
            )
        )
    said += [(abs(drift.change_sd), _drift_words(drift, by_name[drift.check])) for drift in figures.drifts[:8]]
    if figures.outliers:
        worst = figures.outliers[0]
        units = len({one.serial for one in figures.outliers})
        said.append(
            (
                0.5,
                f"{units} unit{'s' if units > 1 else ''} pass and do not belong to the population, first of all "
                f"{worst.serial} at {by_name[worst.check].title} ({abs(worst.sigmas):.1f} robust standard deviations).",
            )
        )
    loose = [one for one in figures.checks if one.in_control is False]
    if loose:
        titles = ", ".join(one.title for one in loose[:5]) + ("" if len(loose) <= 5 else f" and {len(loose) - 5} more")
        said.append((0.4, f"{len(loose)} checks are out of control, so their capability is no forecast: {titles}."))
    return [words for _, words in sorted(said, key=lambda pair: -pair[0])]


def _drift_words(drift: "Drift", check: "CheckFigures") -> str:
    share = f", {100 * drift.share_of_tolerance:.0f} % of the tolerance" if drift.share_of_tolerance is not None else ""
    ahead = ""
    if drift.units_to_limit is not None and drift.units_to_limit < 10 * check.count:
        ahead = f"; at this pace the mean meets the limit in {drift.units_to_limit:.0f} units"
    return (
        f"{check.title} drifts by {show(drift.change, check.unit, 3)} from the first to the last unit "
        f"({abs(drift.change_sd):.1f} standard deviations{share}){ahead}."
    )


def _row(check: "CheckFigures") -> dict[str, Any]:
    capability, percentile = check.capability, check.percentile
    control = {None: "too few", True: "in control", False: "out of control"}[check.in_control]
    return {
        "name": check.name,
        "title": check.title,
        "count": check.count,
        "failed": check.failed_first,
        "mean": "—" if check.mean is None else show(check.mean, check.unit, 4),
        "sd": "—" if check.sd is None else show(check.sd, check.unit, 3),
        "lower": show(check.lower, check.unit, 4),
        "upper": show(check.upper, check.unit, 4),
        "cpk": capability.cpk if capability else None,
        "cpk_low": capability.cpk_lower_limit if capability else None,
        "cpk_high": capability.cpk_upper_limit if capability else None,
        "ppk": percentile.ppk if percentile else None,
        "few": bool(percentile and percentile.is_extrapolated),
        "control": control,
        "deviation": check.is_deviation,
    }


def _worth_showing(figures: "LotFigures") -> list["CheckFigures"]:
    marked = {effect.check for effect in figures.effects} | {drift.check for drift in figures.drifts}
    marked |= {name for name, _, _ in figures.failures} | {outlier.check for outlier in figures.outliers}

    def rank(check: "CheckFigures") -> tuple[bool, float]:
        cpk = check.capability.cpk if check.capability and check.capability.cpk is not None else math.inf
        return (check.name not in marked, cpk)

    return sorted((one for one in figures.checks if one.count >= 2), key=rank)[:MOST_PLOTS]


def plots(figures: "LotFigures", shown: Sequence["CheckFigures"]) -> dict[str, Any]:
    """SVG texts: pareto, and per check its values over time beside the histogram."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    # A fixed salt makes the same page from the same data; text stays text, in whatever sans serif the reader has.
    look: Any = {"svg.hashsalt": "hil", "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 8}
    with plt.rc_context(look | {"axes.edgecolor": FAINT, "text.color": INK}):
        return {
            "pareto": _pareto(figures) if figures.failures else "",
            "checks": [(one.name, one.title, _check_plot(one, figures)) for one in shown],
        }


def _svg(figure: Any) -> str:
    import matplotlib.pyplot as plt

    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    plt.close(figure)
    text = out.getvalue()
    return text[text.index("<svg") :]


def _mark(figure: Any, simulated: bool) -> None:
    if simulated:
        figure.text(
            0.5,
            0.5,
            "SIMULATED",
            ha="center",
            va="center",
            fontsize=28,
            color=BAD,
            alpha=0.13,
            rotation=12,
            weight="bold",
        )


def _pareto(figures: "LotFigures") -> str:
    import matplotlib.pyplot as plt

    rows = figures.failures[:15]
    figure, axes = plt.subplots(figsize=(7.2, 0.5 + 0.24 * len(rows)), layout="constrained")
    names = [name for name, _, _ in rows][::-1]
    axes.barh(names, [count for _, count, _ in rows][::-1], color=BAD, height=0.65)
    for place, (_, count, share) in enumerate(rows[::-1]):
        axes.text(count, place, f" {count}  ({100 * share:.0f} % cumulated)", va="center", fontsize=7)
    axes.set_xlabel("units that failed it at their first check")
    axes.margins(x=0.25)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    _mark(figure, figures.simulated)
    return _svg(figure)


def _check_plot(check: "CheckFigures", figures: "LotFigures") -> str:
    """Left: values in the order of time with running mean. Right: histogram against limits and acceptance zone."""
    import matplotlib.pyplot as plt

    values = check.values
    scale, unit = _scale(check)
    # Margins by hand: an automatic layout draws every figure three times.
    figure, (over_time, spread) = plt.subplots(1, 2, figsize=(7.2, 1.75), width_ratios=(3, 2), sharey=True)
    figure.subplots_adjust(left=0.1, right=0.99, top=0.96, bottom=0.24, wspace=0.05)
    y = values * scale
    if y.size > 4000:  # more dots than a page can show
        chosen = np.linspace(0, y.size - 1, 4000).astype(int)
        over_time.plot(chosen, y[chosen], ".", color=FAINT, markersize=1.5, rasterized=True)
    else:
        over_time.plot(y, ".", color=FAINT, markersize=2.5)
    width = max(5, y.size // 20)
    if y.size >= 2 * width:
        mean = np.convolve(y, np.ones(width) / width, mode="valid")
        over_time.plot(np.arange(mean.size) + (width - 1) / 2, mean, color=INK, linewidth=1.2)
    spread.hist(y, bins=min(40, max(6, int(math.sqrt(y.size)))), orientation="horizontal", color=FAINT)
    for axes in (over_time, spread):
        for edge in (check.lower, check.upper):
            if edge is not None:
                axes.axhline(edge * scale, color=BAD, linewidth=1)
        for edge, limit in ((check.accept_lower, check.lower), (check.accept_upper, check.upper)):
            if edge is not None and edge != limit:
                axes.axhline(edge * scale, color=WARN, linewidth=0.8, linestyle="--")
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    over_time.set_xlabel("unit, in the order of time")
    spread.set_xlabel("units")
    label = "deviation" if check.is_deviation else "value"
    over_time.set_ylabel(f"{label}, {unit}" if unit else label)
    _mark(figure, figures.simulated)
    return _svg(figure)


def _scale(check: "CheckFigures") -> tuple[float, str]:
    if check.unit in ("", "degC"):
        return 1.0, check.unit
    edges = [abs(edge) for edge in (check.lower, check.upper) if edge is not None]
    size = max([*edges, float(np.abs(check.values).max()) if check.values.size else 0.0])
    for factor, prefix in ((1e-6, "M"), (1e-3, "k"), (1.0, ""), (1e3, "m"), (1e6, "µ"), (1e9, "n")):
        if size * factor >= 1:
            return factor, f"{prefix}{check.unit}"
    return 1e12, f"p{check.unit}"
