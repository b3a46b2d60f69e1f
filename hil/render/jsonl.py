"""JSON Lines of ``--json``: one object a unit, format 1.

Values are in unprefixed SI units (F H Hz V A ohm s degC), or text or boolean beside ``expected``. A value that could
not be taken, or was not a finite number, is null with its ``reason``; a missing limit is null.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from hil.core.records import Reading, Run

FORMAT = 1
_LEFT_OUT = ("raw", "budget")  # long, and in the record


def unit_line(run: Run, files: Sequence[str] = ()) -> str:
    """One run as one line of JSON.

    Args:
        files: paths of the files made of the run, where its closing does not name them.
    """
    return json.dumps(unit_object(run, files), ensure_ascii=False, allow_nan=False)


def unit_object(run: Run, files: Sequence[str] = ()) -> dict[str, Any]:
    """One run as plain data."""
    opened, closed = run.opened, run.closed
    return {
        "format": FORMAT,
        "run": opened.run,
        "serial": opened.serial,
        "verdict": run.verdict.value,
        "reason": closed.reason if closed else "interrupted: the run was never closed",
        "scope": opened.scope,
        "attempt": opened.attempt,
        "simulated": opened.simulated,
        "opened": opened.opened,
        "closed": closed.closed if closed else None,
        "planned": len(opened.planned),
        "judged": closed.judged if closed else len(run.readings),
        "planned_seconds": opened.planned_seconds,
        "actual_seconds": closed.actual_seconds if closed else None,
        "facts": dict(closed.facts) if closed else {},
        "readings": [reading_object(reading) for reading in run.readings],
        "files": list(files or (closed.files if closed else ())),
    }


def reading_object(reading: Reading) -> dict[str, Any]:
    """One reading as plain data; raw answers and the budget stay in the record."""
    found = {name: _plain(value) for name, value in asdict(reading).items() if name not in _LEFT_OUT}
    if found["value"] is None and not found["reason"]:
        found["reason"] = "not a finite number" if reading.value is not None else "no value"
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return value
