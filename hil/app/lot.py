"""Lot report: records of a lot as columns, figures from them, one page, JSON, and tables as CSV."""

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from hil.app.locate import read_text
from hil.app.lot_figures import LotFigures, Readings, lot_figures
from hil.app.lot_runs import runs_of
from hil.app.whole_file import write_whole
from hil.core.ledger import Diagnosed, Rework
from hil.core.records import RunSummary
from hil.core.sampling import Proportion, SamplingPlan
from hil.errors import UsageError
from hil.render.lot_page import lot_page
from hil.store.queries import DEFINITIONS, VERDICTS
from hil.store.sqlite_store import RecordStore
from hil.suite import ROOT

TEMPLATE = ROOT / "reports" / "lot.html"
_COLUMNS = ("key", "value", "nominal")
_LIMITS = ("definition_no", "lower", "upper", "accept_lower", "accept_upper", "nominal")
MOST_UNITS = 2000  # in the table of all readings unless it is asked for: a larger one takes a second to write
LATEST = 50  # runs whose limits the lot is held against; each has limits for a part's value of its own day


def figures_of(lot: str, store: RecordStore) -> LotFigures:
    """Figures of a lot from the record.

    Raises:
        UsageError: the record has no runs of that lot, naming the lots it has.
    """
    summaries = store.summaries(lot=lot)
    if not summaries:
        known = store.lots()
        shown = (
            f"{', '.join(known[:20])}{f' and {len(known) - 20} more' if len(known) > 20 else ''}" if known else "none"
        )
        raise UsageError(f"lot '{lot}': no runs in this record. Lots there: {shown}.")
    serials = {one.serial for one in summaries}
    reworks = [one for one in store.entries(Rework) if one.serial in serials]
    definitions = store.definitions()
    latest = [one.run_no for one in summaries if one.is_complete][-LATEST:]
    titles = {name: (title, unit) for name, title, unit, *_ in definitions.values()}
    return lot_figures(
        lot,
        runs_of(summaries),
        _readings(store, lot, {number: row[0] for number, row in definitions.items()}, latest),
        titles,
        causes=_causes(summaries, reworks, store.entries(Diagnosed)),
        reworked=[one.serial for one in reworks],
        moved=store.lots_of(lot),
        limits_revisions=_revisions(summaries),
        simulated=any(one.simulated for one in summaries),
    )


def _readings(store: RecordStore, lot: str, names: Mapping[int, str], latest: Sequence[int]) -> Readings:
    """Columns of a lot; texts and booleans are no numbers and count by their verdict alone."""
    table = _table(store.numbers(*_COLUMNS, lot=lot), len(_COLUMNS))
    key = table[:, 0].astype(np.int64)
    ordered = tuple(dict.fromkeys(names[number] for number in sorted(names)))
    code_of = {name: code for code, name in enumerate(ordered)}
    codes = np.zeros(max(names, default=0) + 1, dtype=np.int32)
    for number, name in names.items():
        codes[number] = code_of[name]
    edges = _table(store.numbers(*_LIMITS, lot=lot, runs=latest), len(_LIMITS))
    code_of_edge = codes[edges[:, 0].astype(np.int64)]
    return Readings(
        names=ordered,
        code=codes[key // VERDICTS % DEFINITIONS],
        run_no=key // (VERDICTS * DEFINITIONS),
        verdict=(key % VERDICTS).astype(np.int8),
        value=table[:, 1].copy(),  # a view would keep the whole table
        nominal=table[:, 2].copy(),
        limits={name: edges[code_of_edge == code, 1:] for name, code in code_of.items()},
    )


def _table(numbers: Iterable[float], width: int) -> "np.ndarray[Any, np.dtype[np.float64]]":
    table = np.fromiter(numbers, dtype=float).reshape(-1, width)
    table[np.isinf(table)] = np.nan
    return table


def _revisions(summaries: Sequence[RunSummary]) -> list[str]:
    """One word for each state of the limits; the same revision twice when it was edited without a new one."""
    states = dict.fromkeys((one.limits_revision, one.limits_sha256) for one in summaries)
    return [f"revision {revision} {sha256[:8]}".rstrip() for revision, sha256 in states]


def _causes(
    summaries: Sequence[RunSummary], reworks: Sequence[Rework], diagnoses: Sequence[Diagnosed]
) -> dict[int, str]:
    """What failing runs were put down to: what was reworked after them, else what the diagnosis put first."""
    run_no = {one.run: one.run_no for one in summaries}
    found = {run_no[one.run]: f"{one.first} (diagnosis)" for one in diagnoses if one.run in run_no}
    done: dict[int, list[str]] = {}
    for one in reworks:
        if one.after_run in run_no:
            done.setdefault(run_no[one.after_run], []).append(" ".join(filter(None, (one.action, one.target))))
    return found | {number: f"{', '.join(dict.fromkeys(words))} (rework)" for number, words in done.items()}


def write_lot_report(
    figures: LotFigures,
    folder: Path,
    *,
    now: str,
    plans: Sequence[tuple[str, SamplingPlan]] = (),
    with_units: bool | None = None,
) -> tuple[Path, ...]:
    """The page; all figures as JSON; checks, what stands out, and units as CSV; whole files or none.

    Args:
        plans: sampling plans for the page, each with its words.
        with_units: also the table of every reading of every unit; None: of lots up to `MOST_UNITS`.

    Raises:
        BenchError: they cannot be written.
    """
    mark = "-SIMULATED" if figures.simulated else ""
    stem = f"lot-{''.join(c if c.isalnum() or c in '-_.' else '_' for c in figures.lot)}{mark}"
    page = lot_page(figures, read_text(TEMPLATE), now=now, plans=plans)
    texts = {
        ".html": page,
        ".json": json.dumps(report_json(figures, plans), ensure_ascii=False, allow_nan=False),
        ".csv": _csv(check_rows(figures)),
        "-findings.csv": _csv(finding_rows(figures)),
    }
    if with_units or (with_units is None and len(figures.serials) <= MOST_UNITS):
        texts["-units.csv"] = units_csv(figures)
    return tuple(write_whole(folder / f"{stem}{ending}", text.encode()) for ending, text in texts.items())


def report_json(figures: LotFigures, plans: Sequence[tuple[str, SamplingPlan]] = ()) -> dict[str, Any]:
    """All figures as plain data."""
    sampling = [{"words": words, **as_json(plan), "reject": plan.reject} for words, plan in plans]
    return {"format": 1, **as_json(figures), "sampling": sampling}


def _csv(rows: Sequence[Mapping[str, Any]]) -> str:
    out = io.StringIO()
    if rows:
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return out.getvalue()


def _head(figures: LotFigures) -> dict[str, str]:
    return {"simulated": "SIMULATED" if figures.simulated else "no", "lot": figures.lot}


def check_rows(figures: LotFigures) -> list[dict[str, Any]]:
    """One line a check."""
    return [
        {
            **_head(figures),
            "check": one.name,
            "title": one.title,
            "unit": one.unit,
            "is_deviation": one.is_deviation,
            "count": one.count,
            "missing": one.missing,
            "failed_first": one.failed_first,
            "mean": one.mean,
            "sd": one.sd,
            "lower": one.lower,
            "upper": one.upper,
            "accept_lower": one.accept_lower,
            "accept_upper": one.accept_upper,
            "cp": one.capability.cp if one.capability else None,
            "cpk": one.capability.cpk if one.capability else None,
            "cpk_lower_limit": one.capability.cpk_lower_limit if one.capability else None,
            "cpk_upper_limit": one.capability.cpk_upper_limit if one.capability else None,
            "ppk_percentile": one.percentile.ppk if one.percentile else None,
            "ppk_percentile_lower_limit": one.percentile.ppk_lower_limit if one.percentile else None,
            "ppk_percentile_upper_limit": one.percentile.ppk_upper_limit if one.percentile else None,
            "in_control": one.in_control,
            "signals": "; ".join(one.signals),
        }
        for one in figures.checks
    ]


def units_csv(figures: LotFigures) -> str:
    """One line a unit with a complete run, in the order of time, with the value (or deviation) in every check."""
    units = len(figures.serials)
    head = _head(figures)
    columns: dict[str, Sequence[Any]] = {name: [text] * units for name, text in head.items()}
    columns["serial"] = figures.serials
    columns |= {name: given.tolist() for name, given in figures.labels.items()}
    for one in figures.checks:
        values = one.values.tolist()
        if one.count < units:
            known = dict(zip(one.places.tolist(), values, strict=True))
            values = [known.get(place, "") for place in range(units)]
        columns[f"{one.name} [{one.unit}]" if one.unit else one.name] = values
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return out.getvalue()


def finding_rows(figures: LotFigures) -> list[dict[str, Any]]:
    """Effects, outliers, correlations, failures, causes and yields in one long table."""
    rows: list[dict[str, Any]] = []

    def say(finding: str, check: str = "", other: str = "", group: str = "", **numbers: Any) -> None:
        blank = {"count": None, "size": None, "size_sd": None, "share": None, "p": None}
        rows.append(
            {**_head(figures), "finding": finding, "check": check, "other": other, "group": group} | blank | numbers
        )

    for one in figures.effects:
        say(
            one.kind,
            one.check,
            one.grouping,
            one.group,
            count=one.count,
            size=one.size,
            size_sd=one.size_sd,
            share=one.share,
            p=one.p,
        )
    for out in figures.outliers:
        say("outlier", out.check, group=out.serial, size=out.value, size_sd=out.sigmas)
    for first, second, r in figures.correlations:
        say("correlation", first, second, size=r)
    for name, count, share in figures.failures:
        say("failed at first check", name, count=count, size=share)
    for cause, count in figures.causes:
        say("cause", other=cause, count=count)
    for yielded in figures.groups:
        part = yielded.first_pass
        say("first-pass yield", other=yielded.grouping, group=yielded.group, count=part.total, size=part.share)
    for serial, other in figures.moved:
        say("also in another lot", other=other, group=serial)
    return rows


def as_json(value: Any) -> Any:
    """Plain data without NaN; single readings are in the table of units."""
    if is_dataclass(value) and not isinstance(value, type):
        plain = {
            one.name: as_json(getattr(value, one.name))
            for one in fields(value)
            if one.name not in ("values", "places", "serials", "labels")
        }
        if isinstance(value, Proportion):
            plain["share"] = as_json(value.share)
        return plain
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (list, tuple)):
        return [as_json(one) for one in value]
    if isinstance(value, dict):
        return {key: as_json(one) for key, one in value.items()}
    return value
