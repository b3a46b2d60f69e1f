"""The lot report as one self-contained HTML page: plots as SVG inside it, nothing fetched, fit for paper.

What matters comes first, in words: yields, then what stands out, each with the plot that shows it, then the checks one
by one with histograms against limits and acceptance zones.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hil.core.sampling import SamplingPlan
from hil.core.units import show
from hil.render.lot_plots import CheckPlots, pareto
from hil.render.plots import the_look

if TYPE_CHECKING:
    from hil.app.lot_effects import Effect
    from hil.app.lot_figures import CheckFigures, LotFigures

MOST_FINDINGS = 12
MOST_PLOTS = 12  # on the page: one for each finding, then what fails, then the least capable
GROUPING_WORDS = {
    "operator": "operator", "bench": "bench", "component_lot": "component lot", "firmware": "firmware",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What a reader should know, with the check that shows it best ("" when no single one does).

    Args:
        about: grouping and group.
    """

    words: str
    weight: float
    check: str = ""
    about: tuple[str, str] = ("", "")


def lot_page(figures: "LotFigures", template: str, *, now: str, plans: Sequence[tuple[str, SamplingPlan]] = ()) -> str:
    """The page; everything in it is escaped by the template engine.

    Args:
        template: text of the Jinja template.
        now: ISO time of the report.
        plans: sampling plans, each with its words.
    """
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters["percent"] = lambda share: "—" if math.isnan(share) else f"{100 * share:.1f} %"
    environment.filters["index"] = lambda value: "—" if value is None else f"{value:.2f}"
    environment.filters["words"] = lambda grouping: GROUPING_WORDS.get(grouping, grouping)
    said = findings(figures)
    by_name = {one.name: one for one in figures.checks}
    titles = {one.name: one.title for one in figures.checks}
    shown = list(dict.fromkeys(one.check for one in said if one.check))[:MOST_PLOTS]
    more = [one.name for one in _worth_showing(figures) if one.name not in shown][: MOST_PLOTS - len(shown)]
    with the_look():
        plots = CheckPlots(figures)
        about = {one.check: one.about for one in reversed(said)}
        drawn = {name: plots.draw(by_name[name], _on(figures, name, about.get(name))) for name in (*shown, *more)}
        bars = pareto(figures, titles) if figures.failures else ""
    first_use = _first_use(said)
    return environment.from_string(template).render(
        figures=figures,
        now=now,
        findings=[(one.words, drawn.get(name, ""), titles.get(name, "")) for one, name in first_use],
        pareto=bars,
        plots=[(name, titles[name], drawn[name]) for name in more],
        checks=[_row(one) for one in figures.checks],
        titles=titles,
        outliers=[(one, _shown(one.value, by_name[one.check].unit, 4)) for one in figures.outliers[:40]],
        plans=plans,
        hours=None if figures.unit_s is None else figures.unit_s * figures.units / 3600,
    )


def _first_use(said: Sequence[Finding]) -> list[tuple[Finding, str]]:
    """Each finding with the name of the plot to show under it; a plot is shown once."""
    used: set[str] = set()
    pairs = []
    for one in said:
        pairs.append((one, "" if one.check in used else one.check))
        used.add(one.check)
    return pairs


def _on(figures: "LotFigures", name: str, about: tuple[str, str] | None) -> list["Effect"]:
    """Effects on a check, those that the plot is shown for first."""
    found = [effect for effect in figures.effects if effect.check == name]
    return sorted(found, key=lambda effect: (effect.grouping, effect.group) != about)


def findings(figures: "LotFigures") -> list[Finding]:
    """What a reader should know first, one sentence each, the strongest first; alike ones are said once.

    Of a bench those in one unit are alike: a voltmeter that is off shows in all volts, and has nothing to do with the
    amperes of the same bench.
    """
    by_name = {one.name: one for one in figures.checks}
    said: list[Finding] = []
    groups: dict[tuple[str, str, str, str], list[Effect]] = {}
    for effect in figures.effects:
        unit = by_name[effect.check].unit if effect.grouping == "bench" else ""
        groups.setdefault((effect.kind, effect.grouping, effect.group, unit), []).append(effect)
    for effects in groups.values():
        alike = _in_proportion(effects, by_name)
        first = alike[0][0] if alike else effects[0]  # what shows best what they have in common
        words = _effect_words(first, by_name[first.check])
        words += _likewise([one for one in effects if one is not first], by_name)
        if alike:
            ratio = statistics.mean(ratio for _, ratio in alike)
            words += f"; {len(alike)} of these by {100 * ratio:.2g} % of the reading"
        said.append(
            Finding(
                words=f"{words}.",
                weight=max(map(_matters, effects)),
                check=first.check,
                about=(first.grouping, first.group),
            )
        )
    if figures.outliers:
        worst = figures.outliers[0]
        units = len({one.serial for one in figures.outliers})
        words = (
            f"{units} unit{'s pass and do' if units > 1 else ' passes and does'} not belong to the population, first "
            f"of all {worst.serial} at {_said(by_name[worst.check])} "
            f"({abs(worst.sigmas):.1f} robust standard deviations)."
        )
        said.append(Finding(words=words, weight=0.001))
    loose = [one for one in figures.checks if one.in_control is False]
    if loose:
        titles = ", ".join(map(_said, loose[:5])) + ("" if len(loose) <= 5 else f" and {len(loose) - 5} more")
        plural = "checks are" if len(loose) > 1 else "check is"
        words = f"{len(loose)} {plural} out of control, so that capability is no forecast there: {titles}."
        said.append(Finding(words=words, weight=0.0))
    return sorted(said, key=lambda one: -one.weight)[:MOST_FINDINGS]


def _said(check: "CheckFigures") -> str:
    """The title within a sentence: in quotation marks where its commas would be taken for those of the sentence."""
    return f"“{check.title}”" if "," in check.title else check.title


def _matters(effect: "Effect") -> float:
    """What it takes of the tolerance; without limits ten standard deviations stand for one."""
    return effect.share if effect.share is not None else abs(effect.size_sd) / 10


def _likewise(effects: Sequence["Effect"], by_name: dict[str, "CheckFigures"]) -> str:
    if not effects:
        return ""
    titles = ", ".join(_said(by_name[one.check]) for one in effects[:3])
    more = f" and {len(effects) - 3} more" if len(effects) > 3 else ""
    return f"; likewise {titles}{more}"


def _in_proportion(effects: Sequence["Effect"], by_name: dict[str, "CheckFigures"]) -> list[tuple["Effect", float]]:
    """Shifts that are about the same ratio of their readings, if most are: then it is a matter of scale."""
    ratios = [
        (effect, abs(effect.size / level))
        for effect in effects
        if effect.kind == "shift" and (level := by_name[effect.check].level)
    ]
    alike = [(effect, ratio) for effect, ratio in ratios if _is_near(ratio, [one for _, one in ratios])]
    sizes = [abs(effect.size) for effect, _ in ratios]
    same_size = sum(_is_near(size, sizes) for size in sizes)
    return alike if len(alike) >= 3 and len(alike) > max(len(ratios) / 2, same_size) else []


def _is_near(size: float, sizes: Sequence[float]) -> bool:
    """Within a fifth of the middle one."""
    middle = statistics.median(sizes)
    return abs(size - middle) <= 0.2 * middle


def _effect_words(effect: "Effect", check: "CheckFigures") -> str:
    who = f"{GROUPING_WORDS.get(effect.grouping, effect.grouping).capitalize()} {effect.group or '(none named)'}"
    if effect.kind == "scatter":
        return f"{who} scatters {effect.size:.1f} times as much as the others in {_said(check)} ({effect.count} units)"
    sds = f"{abs(effect.size_sd):.1f} standard deviations{_share(effect, check)}"
    size = _shown(abs(effect.size), check.unit, 3)
    if effect.kind == "shift":
        direction = "higher" if effect.size > 0 else "lower"
        return f"{who} reads {_said(check)} {size} {direction} than the others ({sds}, {effect.count} units)"
    way = "up" if effect.size > 0 else "down"
    if effect.grouping:
        return f"{who} drifts: {_said(check)} goes {way} by {size} over its {effect.count} units ({sds})"
    ahead = ""
    if effect.units_to_limit is not None and effect.units_to_limit < 10 * check.count:
        ahead = f"; at this pace the mean meets the limit in {effect.units_to_limit:.0f} units"
    return f"{_said(check)} drifts {way} by {size} from the first to the last unit ({sds}){ahead}"


def _shown(value: float | None, unit: str, digits: int) -> str:
    if value is None:
        return "—"
    return show(value, unit, digits) if unit else f"{value:.{digits}g}"


def _share(effect: "Effect", check: "CheckFigures") -> str:
    if effect.share is None:
        return ""
    what = "of the tolerance" if None not in (check.lower, check.upper) else "of the room up to the limit"
    return f", {100 * effect.share:.0f} % {what}"


def _row(check: "CheckFigures") -> dict[str, Any]:
    capability, percentile = check.capability, check.percentile
    control = {None: "too few", True: "in control", False: "out of control"}[check.in_control]
    return {
        "name": check.name,
        "title": check.title,
        "count": check.count,
        "missing": check.missing,
        "failed": check.failed_first,
        "mean": _shown(check.mean, check.unit, 4),
        "sd": _shown(check.sd, check.unit, 3),
        "lower": _shown(check.lower, check.unit, 4),
        "upper": _shown(check.upper, check.unit, 4),
        "cpk": capability.cpk if capability else None,
        "cpk_low": capability.cpk_lower_limit if capability else None,
        "cpk_high": capability.cpk_upper_limit if capability else None,
        "ppk": percentile.ppk if percentile else None,
        "ppk_low": percentile.ppk_lower_limit if percentile else None,
        "ppk_high": percentile.ppk_upper_limit if percentile else None,
        "few": bool(percentile and percentile.is_extrapolated),
        "constant": check.count >= 2 and check.sd == 0,
        "control": control,
        "signals": "; ".join(check.signals),
        "deviation": check.is_deviation,
    }


def _worth_showing(figures: "LotFigures") -> list["CheckFigures"]:
    failed = [name for name, _, _ in figures.failures]
    marked = {effect.check for effect in figures.effects} | {outlier.check for outlier in figures.outliers}

    def rank(check: "CheckFigures") -> tuple[int, bool, float]:
        cpk = check.capability.cpk if check.capability and check.capability.cpk is not None else math.inf
        return (failed.index(check.name) if check.name in failed else len(failed), check.name not in marked, cpk)

    return sorted((one for one in figures.checks if one.count >= 2 and one.sd), key=rank)
