"""A study as a table in words, as JSON, and as one page of plots."""

import io
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, TextIO

from hil.core.gage import STUDY_SIGMAS, GageStudy
from hil.core.study import Design, StudyPlan
from hil.core.study_result import FIT, MARGINAL, Fitness, RowResult, StudyResult
from hil.core.units import prefix_for, show

_STYLES = {
    Fitness.FIT: "green",
    Fitness.MARGINAL: "yellow",
    Fitness.NOT_FIT: "bold red",
    Fitness.UNKNOWN: "yellow",
}
_HEADINGS = (
    "check", "mean", "s", "repeat", "operators", "bench", "by range", "units", "% tol.", "% study", "ndc", "verdict",
    "",
)  # fmt: skip
_COLOURS = {"repeatability": "#7a8b99", "operator": "#b2182b", "fitting": "#b2182b", "interaction": "#c07800"}
_PLOT_ROWS, _PANELS = 40, 6
_LEAST_SHARE, _MOST_SHARE = 1e-3, 3.0  # of the axis


def described(plan: StudyPlan) -> str:
    """The study in one line."""
    if plan.design is Design.FITTINGS:
        shape = f"{len(plan.units)} units × {plan.fittings} fittings × {plan.repeats} repeats"
    elif plan.design is Design.NESTED:
        shape = f"{len(plan.operators)} operators × {plan.shape[1]} units of their own × {plan.repeats} repeats"
    else:
        shape = f"{len(plan.units)} units × {len(plan.operators)} operators × {plan.repeats} repeats"
    return f"study {plan.name} on bench {plan.bench}: {shape}, {len(plan.rows)} checks, seed {plan.seed}"


def print_study(result: StudyResult, plan: StudyPlan, stream: TextIO) -> None:
    """Print the table and the words."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(file=stream, width=None if stream.isatty() else 200, highlight=False, markup=False)
    console.print(described(plan) + ("  SIMULATED" if plan.simulated else ""))
    second = "fitting" if plan.design is Design.FITTINGS else "operators"
    table = Table(box=None, pad_edge=False)
    for heading in _HEADINGS:
        table.add_column(second if heading == "operators" else heading, overflow="fold")
    for row in result.rows:
        table.add_row(*_cells(row), Text(row.fitness, style=_STYLES[row.fitness]), row.words)
    console.print(table)
    console.print(
        f"repeat … units: standard deviations, in the unit under 's'; that of the bench with its "
        f"{100 * result.confidence:g} % interval, and by average and range. % tol.: {STUDY_SIGMAS:g} s of the bench in "
        "the tolerance. % study: s of the bench in that of all readings."
    )
    for one in result.linearity:
        console.print(f"linearity over {one.parts[0]} … {one.parts[-1]} ({one.unit}): {one.words}")
    counts = {fitness: sum(row.fitness is fitness for row in result.rows) for fitness in Fitness}
    console.print(", ".join(f"{count} {fitness}" for fitness, count in counts.items() if count))


def _cells(row: RowResult) -> tuple[str, ...]:
    if row.study is None:
        return (row.name, *([""] * (len(_HEADINGS) - 3)))
    components = {one.name: one for one in row.study.components}
    largest = max(one.sd for one in components.values())
    power, prefix = prefix_for(components["gage"].sd or largest, row.unit)

    def shown(sd: float) -> str:
        return f"{sd / 10**power:.3g}" if sd > 1e-9 * largest else "0"

    gage = components["gage"]
    return (
        row.name,
        show(row.mean, row.unit, 6),
        f"{prefix}{row.unit}",
        shown(components["repeatability"].sd),
        shown(components["reproducibility"].sd),
        f"{shown(gage.sd)} ({shown(math.sqrt(gage.lower))} … {shown(math.sqrt(gage.upper))})",
        shown(row.by_range.component("gage").sd) if row.by_range is not None else "",
        shown(components["unit"].sd),
        f"{100 * row.share_of_tolerance[0]:.3g}" if row.share_of_tolerance else "",
        f"{100 * row.share_of_study:.3g}" if row.share_of_study is not None else "",
        "∞" if row.categories == math.inf else f"{row.categories:.0f}" if row.categories is not None else "",
    )


def study_json(result: StudyResult, plan: StudyPlan) -> dict[str, Any]:
    """One object: the plan, every check, linearity."""
    found: dict[str, Any] = _plain(
        {
            "format": 1,
            "study": plan.name,
            "uid": plan.uid,
            "simulated": plan.simulated,
            "design": plan.design.value,
            "units": plan.units,
            "operators": plan.operators,
            "fittings": plan.fittings,
            "repeats": plan.repeats,
            "seed": plan.seed,
            "bench": plan.bench,
            "confidence": result.confidence,
            "worst": result.worst.value,
            "checks": [_row_json(row) for row in result.rows],
            "linearity": [asdict(one) for one in result.linearity],
        }
    )
    return found


def _row_json(row: RowResult) -> dict[str, Any]:
    share = row.share_of_tolerance
    bias = row.bias
    return {
        "name": row.name,
        "title": row.title,
        "unit": row.unit,
        "lower": row.lower,
        "upper": row.upper,
        "mean": row.mean,
        "verdict": row.fitness.value,
        "words": row.words,
        "share_of_tolerance": share[0] if share else None,
        "share_of_tolerance_upper": share[1] if share else None,
        "share_of_study": row.share_of_study,
        "distinct_categories": row.categories,
        "dominant": row.dominant[0] if row.dominant else None,
        "anova": _study_json(row.study),
        "average_range": _study_json(row.by_range),
        "bias": None
        if bias is None
        else {
            "part": bias.part,
            "reference": bias.reference,
            "reference_uncertainty": bias.reference_uncertainty,
            "significant": bias.found.is_significant,
            **asdict(bias.found),
        },
        "readings": row.values.tolist() if row.values is not None else None,
    }


def _study_json(study: GageStudy | None) -> dict[str, Any] | None:
    if study is None:
        return None
    components = {
        one.name: {
            "sd": one.sd,
            "sd_lower": math.sqrt(one.lower) if math.isfinite(one.lower) else None,
            "sd_upper": math.sqrt(one.upper) if math.isfinite(one.upper) else None,
            "share_of_study": study.share_of_study(one.name),
        }
        for one in study.components
    }
    return {
        "method": study.method,
        "interaction_pooled": study.pooled,
        "components": components,
        "sources": [asdict(one) for one in study.sources],
        "categories": study.categories,
    }


def _plain(value: Any) -> Any:
    """Data that JSON knows: no NaN, no infinity, no tuples."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value


def plot(result: StudyResult, plan: StudyPlan, *, file_format: str = "png") -> bytes:
    """One page: how much of the tolerance the bench takes, what that is made of, readings of the worst checks."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = sorted((row for row in result.rows if row.study is not None), key=_share)[-_PLOT_ROWS:]
    panels = [row for row in reversed(rows) if row.values is not None][:_PANELS]
    bars_inch, panels_inch = 1.2 + 0.2 * max(1, len(rows)), 2.4 * math.ceil(len(panels) / 2)
    figure = Figure(figsize=(8.3, 0.9 + bars_inch + panels_inch), layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(described(plan) + ("\nSIMULATED" if plan.simulated else ""), fontsize=9)
    top, *bottom = figure.subfigures(
        2 if panels else 1, 1, height_ratios=[bars_inch, panels_inch] if panels else None, squeeze=False
    )[:, 0]
    _bars(top.subplots(1, 2, sharey=True), rows, result.confidence)
    if panels:
        grid = bottom[0].subplots(math.ceil(len(panels) / 2), 2, squeeze=False).ravel()
        for axes, row in zip(grid, panels, strict=False):
            _panel(axes, row, plan)
        for axes in grid[len(panels) :]:
            axes.set_axis_off()
    with mpl.rc_context({"svg.hashsalt": "hil"}):
        buffer = io.BytesIO()
        metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(file_format, {})
        figure.savefig(buffer, format=file_format, metadata=metadata, dpi=150)
    return buffer.getvalue()


def _share(row: RowResult) -> float:
    return row.share_of_tolerance[0] if row.share_of_tolerance else (row.share_of_study or 0.0)


def _bars(both: Any, rows: Sequence[RowResult], confidence: float) -> None:
    shares, parts = both
    shares.axvspan(_LEAST_SHARE, FIT, color="#e7f2ec", linewidth=0)
    shares.axvspan(FIT, MARGINAL, color="#fbf1dd", linewidth=0)
    shares.axvspan(MARGINAL, _MOST_SHARE, color="#f8e4e1", linewidth=0)
    for place, row in enumerate(rows):
        share = _share(row)
        upper = row.share_of_tolerance[1] if row.share_of_tolerance else share
        ends = [max(_LEAST_SHARE, min(one, _MOST_SHARE)) for one in (share, upper)]
        shares.plot(ends, [place, place], color="0.45", linewidth=1)
        shares.plot(ends[:1], [place], "o" if row.share_of_tolerance else "s", color="0.15", markersize=3)
        left = 0.0
        assert row.study is not None
        total = row.study.component("gage").variance
        for one in row.study.components:
            if one.name in _COLOURS and total > 0:
                part = one.variance / total
                parts.barh(place, part, left=left, color=_COLOURS[one.name], height=0.7, label=one.name)
                left += part
    shares.set_xscale("log")
    shares.set_xlim(_LEAST_SHARE, _MOST_SHARE)
    shares.set_xticks([0.001, 0.01, 0.1, 0.3, 1.0], ["0.1 %", "1 %", "10 %", "30 %", "100 %"], fontsize=6)
    shares.set_yticks(range(len(rows)), [row.name for row in rows], fontsize=6)
    shares.set_title(
        f"the bench in the tolerance, to the upper {100 * confidence:g} % limit\n(□: no limits, in the study)",
        fontsize=7,
    )
    parts.set_title("what the bench's variance is made of", fontsize=7)
    parts.set_xlim(0, 1)
    parts.tick_params(labelsize=6)
    handles, labels = parts.get_legend_handles_labels()
    known = dict(zip(labels, handles, strict=True))
    if known:
        parts.legend(known.values(), known.keys(), fontsize=6, loc="lower right")


def _panel(axes: Any, row: RowResult, plan: StudyPlan) -> None:
    """Readings less the mean of their unit, side by side for each operator or fitting."""
    assert row.values is not None
    values = row.values
    if plan.design is Design.NESTED:  # operators × units of their own × repeats
        flat = values - values.mean(axis=2, keepdims=True)
        names, labels = plan.operators, plan.units
        places = [[list(range(at * plan.shape[1], (at + 1) * plan.shape[1])), flat[at]] for at in range(len(names))]
    else:
        flat = values - values.mean(axis=(1, 2), keepdims=True)
        names = plan.operators or tuple(f"fitting {at + 1}" for at in range(plan.fittings))
        labels = plan.units
        places = [[list(range(len(labels))), flat[:, at]] for at in range(len(names))]
    for at, (x, deviations) in enumerate(places):
        shift = (at - (len(names) - 1) / 2) * 0.6 / max(1, len(names))
        for repeat in range(deviations.shape[1]):
            axes.plot(
                [one + shift for one in x], deviations[:, repeat], ".", color=f"C{at % 10}", markersize=4,
                label=names[at] if repeat == 0 else None,
            )  # fmt: skip
    axes.axhline(0, color="0.7", linewidth=0.6)
    axes.set_title(
        f"{row.name}: readings less the mean of the unit ({row.unit or 'ratio'}) — {row.fitness}", fontsize=7
    )
    axes.set_xticks(range(len(labels)), labels, fontsize=5, rotation=45, ha="right")
    axes.tick_params(axis="y", labelsize=6)
    if len(names) <= 6:
        axes.legend(fontsize=5, ncols=len(names), loc="upper right")
