"""A coverage as data: one JSON object, and tables for a spreadsheet."""

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from hil.core.coverage import FaultCoverage, Total
from hil.core.coverage_result import CoverageResult


def as_json(found: CoverageResult, key: Mapping[str, str]) -> dict[str, Any]:
    """Everything, with what it was found for; NaN and infinity are null."""
    coverage, order = found.coverage, found.order
    data = {
        "format": 1,
        "about": dict(key),
        "trials": found.trials,
        "planned_trials": found.planned_trials,
        "simulated": True,
        "good": {
            "units": len(coverage.good),
            "not_passed": [{"serial": one.trial.serial, "failed": one.failed} for one in coverage.good_failed],
        },
        "total": _total(coverage.total()),
        "classes": [_total(one) for one in coverage.by_class()],
        "components": [_total(one) for one in coverage.by_component()],
        "faults": [_fault(one) for one in coverage.faults],
        "rows": [asdict(one) | {"seconds": order.seconds.get(one.name)} for one in coverage.rows],
        "idle_rows": coverage.idle_rows(),
        "groups": [[name or None for name in group] for group in found.groups],
        "order": {
            "planned": order.planned,
            "best": order.best,
            "seconds_to_fail_planned": order.planned_s,
            "seconds_to_fail_best": order.best_s,
            "seconds_good": order.good_s,
            "left_out": [asdict(one) for one in order.left],
        },
    }
    finite: dict[str, Any] = _finite(data)
    return finite


def _total(one: Total) -> dict[str, Any]:
    return asdict(one) | {
        "share": one.share,
        "weighted_share": one.weighted_share,
        "visible_share": one.visible_share,
        "visible_weighted_share": one.visible_weighted_share,
    }


def _fault(one: FaultCoverage) -> dict[str, Any]:
    return {
        "fault": one.fault.name,
        "class": one.fault.fault_class,
        "components": one.fault.components,
        "weight": one.fault.weight,
        "units": one.units,
        "caught": one.caught,
        "state": str(one.state),
        "failed": one.failed,
        "alone": one.alone,
        "looked": one.looked,
        "visible": one.visible,
        "visible_caught": one.visible_caught,
        "moved": None if one.moved is None else [asdict(moved) for moved in one.moved],
        "reason": one.reason,
    }


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {name: _finite(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    return value


def as_text(found: CoverageResult, key: Mapping[str, str]) -> str:
    """The JSON object as a file, indented by one."""
    return json.dumps(as_json(found, key), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def faults_csv(found: CoverageResult) -> str:
    """One line a fault."""
    rows = [
        (
            one.fault.name,
            one.fault.fault_class,
            f"{one.fault.weight:.6f}",
            one.units,
            one.caught,
            one.visible if one.looked else "",
            one.visible_caught if one.looked else "",
            max(one.failed, key=lambda name: one.failed[name], default=""),
            len(one.failed),
            one.reason,
        )
        for one in found.coverage.faults
    ]
    head = (
        "fault", "class", "weight", "units", "caught", "visible", "visible_caught", "caught_by", "rows", "why_not",
    )  # fmt: skip
    return _csv(head, rows)


def classes_csv(found: CoverageResult) -> str:
    """One line a class, all together last."""
    coverage = found.coverage
    rows = [
        (
            one.name,
            one.faults,
            f"{one.share:.4f}",
            f"{one.weighted_share:.4f}",
            f"{one.visible:.2f}",
            "" if math.isnan(one.visible_share) else f"{one.visible_share:.4f}",
            "" if math.isnan(one.visible_weighted_share) else f"{one.visible_weighted_share:.4f}",
        )
        for one in (*coverage.by_class(), coverage.total())
    ]
    head = ("class", "faults", "caught", "caught_by_weight", "visible", "visible_caught", "visible_caught_by_weight")
    return _csv(head, rows)


def _csv(head: tuple[str, ...], rows: list[tuple[Any, ...]]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return buffer.getvalue()
