"""Read the sampling tables that travel with the program (reports/tables)."""

import csv
import math

from hil.core.sampling import SamplingPlan, SamplingTables
from hil.suite import ROOT

TABLES = ROOT / "reports" / "tables"


def load_sampling_tables(severity: str = "normal") -> SamplingTables:
    """Tables of single sampling by attributes.

    Args:
        severity: "normal" or "tightened".
    """
    with (TABLES / "sampling_letters.csv").open(encoding="utf-8") as file:
        letters = tuple(
            (_largest(row.pop("lot_size")), {level: letter for level, letter in row.items() if letter})
            for row in csv.DictReader(file)
        )
    with (TABLES / f"sampling_{severity}.csv").open(encoding="utf-8") as file:
        plans = {
            (row["code"], float(row["aql_pct"])): SamplingPlan(n=int(row["n"]), accept=int(row["ac"]))
            for row in csv.DictReader(file)
            if row["n"]
        }
    return SamplingTables(letters=letters, plans=plans)


def _largest(lot_size: str) -> float:
    last = lot_size.split("-")[-1]
    return float(last) if last.isdigit() else math.inf
