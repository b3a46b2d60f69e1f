"""Lot report: records of a lot as frames, figures from them, one page, CSV and JSON."""

import json
import math
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from hil.app.certify import write_whole
from hil.app.locate import read_text
from hil.app.lot_figures import LotFigures, lot_figures
from hil.core.records import RunSummary
from hil.core.sampling import Proportion
from hil.errors import UsageError
from hil.render.lot_page import lot_page
from hil.store.sqlite_store import RecordStore
from hil.suite import ROOT

TEMPLATE = ROOT / "reports" / "lot.html"
VERDICTS = ("pass", "fail", "undecided", "not_measured")


def figures_of(lot: str, store: RecordStore, *, causes: Sequence[str] = ()) -> LotFigures:
    """Figures of a lot from the record.

    Raises:
        UsageError: the record has no runs of that lot, naming the lots it has.
    """
    summaries = store.summaries(lot=lot)
    if not summaries:
        known = sorted({one.lot for one in store.summaries() if one.lot})
        raise UsageError(f"lot '{lot}': no runs in this record. Lots there: {', '.join(known) or 'none'}.")
    definitions = store.definitions()
    columns = store.columns(
        "run_no", "definition_no", "verdict", "value", "lower", "upper", "accept_lower", "accept_upper", "nominal",
        lot=lot,
    )  # fmt: skip
    numbers = np.array(columns.pop("definition_no"), dtype=np.int32)
    names = np.array([definitions[number][0] for number in sorted(definitions)], dtype=object)
    place = {number: index for index, number in enumerate(sorted(definitions))}
    codes = np.array([place[number] for number in numbers.tolist()], dtype=np.int32)
    readings = pd.DataFrame(
        {
            name: np.array(values, dtype=np.int64 if name in ("run_no", "verdict") else float)
            for name, values in columns.items()
        }
    )
    readings["name"] = pd.Categorical(names[codes])
    readings["verdict"] = pd.Categorical.from_codes(readings["verdict"].to_numpy(dtype=np.int64), pd.Index(VERDICTS))
    serials = {one.serial for one in summaries}
    moved = sorted({one.serial for one in store.summaries() if one.serial in serials and one.lot not in ("", lot)})
    titles = {name: (title, unit) for name, title, unit, *_ in definitions.values()}
    return lot_figures(
        lot,
        _runs(summaries),
        readings,
        titles,
        causes=causes,
        moved=moved,
        simulated=any(one.simulated for one in summaries),
    )


def _runs(summaries: Sequence[RunSummary]) -> pd.DataFrame:
    rows = []
    for one in summaries:
        facts = dict(one.facts)
        rows.append(
            {
                "run_no": one.run_no,
                "serial": one.serial,
                "attempt": one.attempt,
                "verdict": one.verdict.value,
                "opened_s": one.opened_at,
                "operator": one.operator,
                "bench": one.bench,
                "firmware": facts.get("firmware_version", ""),
                "component_lot": facts.get("component_lot", ""),
                "only": one.only,
                "scope": one.scope,
                "seconds": one.actual_seconds,
                "planned_s": one.planned_seconds,
            }
        )
    return pd.DataFrame(rows)


def write_lot_report(figures: LotFigures, folder: Path, *, now: str) -> tuple[Path, ...]:
    """The page, the figures as JSON, the checks as CSV; whole files or none.

    Raises:
        BenchError: they cannot be written.
    """
    mark = "-SIMULATED" if figures.simulated else ""
    stem = f"lot-{''.join(c if c.isalnum() or c in '-_.' else '_' for c in figures.lot)}{mark}"
    page = lot_page(figures, read_text(TEMPLATE), now=now)
    table = checks_frame(figures).to_csv(index=False)
    data = json.dumps(as_json(figures), ensure_ascii=False, allow_nan=False)
    return (
        write_whole(folder / f"{stem}.html", page.encode()),
        write_whole(folder / f"{stem}.json", data.encode()),
        write_whole(folder / f"{stem}.csv", table.encode()),
    )


def checks_frame(figures: LotFigures) -> pd.DataFrame:
    """One line a check."""
    return pd.DataFrame(
        [
            {
                "simulated": "SIMULATED" if figures.simulated else "no",
                "lot": figures.lot,
                "check": one.name,
                "title": one.title,
                "unit": one.unit,
                "is_deviation": one.is_deviation,
                "count": one.count,
                "failed_first": one.failed_first,
                "mean": one.mean,
                "sd": one.sd,
                "lower": one.lower,
                "upper": one.upper,
                "cpk": one.capability.cpk if one.capability else None,
                "cpk_lower_limit": one.capability.cpk_lower_limit if one.capability else None,
                "ppk_percentile": one.percentile.ppk if one.percentile else None,
                "in_control": one.in_control,
                "signals": "; ".join(one.signals),
            }
            for one in figures.checks
        ]
    )


def as_json(value: Any) -> Any:
    """Plain data without NaN; arrays of single readings stay in the record."""
    if is_dataclass(value) and not isinstance(value, type):
        plain = {
            one.name: as_json(getattr(value, one.name))
            for one in fields(value)
            if one.name not in ("values", "serials")
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
