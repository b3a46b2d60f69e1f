"""Runs of a lot as columns of equal length, and what is done with them; a data frame would take a third of a second.

run_no serial attempt verdict opened_s operator bench firmware component_lot only seconds planned_s
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.core.records import RunSummary

Runs = Mapping[str, NDArray[Any]]


def runs_of(summaries: Sequence[RunSummary]) -> Runs:
    """The columns of a record's runs."""
    facts = [dict(one.facts) for one in summaries]
    texts: dict[str, list[str]] = {
        "serial": [one.serial for one in summaries],
        "verdict": [one.verdict.value for one in summaries],
        "operator": [one.operator for one in summaries],
        "bench": [one.bench for one in summaries],
        "firmware": [one.get("firmware_version", "") for one in facts],
        "component_lot": [one.get("component_lot", "") for one in facts],
        "only": [one.only for one in summaries],
    }
    return {
        "run_no": np.array([one.run_no for one in summaries], dtype=np.int64),
        "attempt": np.array([one.attempt for one in summaries], dtype=np.int64),
        "opened_s": np.array([one.opened_at for one in summaries], dtype=float),
        "seconds": np.array([one.actual_seconds for one in summaries], dtype=float),
        "planned_s": np.array([one.planned_seconds for one in summaries], dtype=float),
        **{name: np.array(column, dtype=object) for name, column in texts.items()},
    }


def taken(runs: Runs, rows: NDArray[Any]) -> Runs:
    """These rows, by their places or by a flag for each."""
    return {name: column[rows] for name, column in runs.items()}


def first_of(column: NDArray[Any]) -> NDArray[np.intp]:
    """Places of the first row with each value, in their order."""
    first: dict[Any, int] = {}
    for place, value in enumerate(column.tolist()):
        first.setdefault(value, place)
    return np.array(list(first.values()), dtype=np.intp)


def last_of(column: NDArray[Any]) -> NDArray[np.intp]:
    """Places of the last row with each value, in their order."""
    return np.array(sorted({value: place for place, value in enumerate(column.tolist())}.values()), dtype=np.intp)


def counts_of(column: NDArray[Any]) -> dict[str, int]:
    """How often each value occurs."""
    return dict(Counter(column.tolist()))
