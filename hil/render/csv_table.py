"""A run as CSV: one line a reading, for spreadsheets and scripts.

Numbers are plain, in unprefixed SI units, with a point. Every line says whether it is simulated, so that a line cut
out of a file still does.
"""

import csv
import io

from hil.core.records import Run

COLUMNS = (
    "simulated", "run", "serial", "attempt", "scope", "name", "title", "group", "verdict", "value", "unit", "lower",
    "upper", "accept_lower", "accept_upper", "expected", "nominal", "expanded_uncertainty", "coverage_factor",
    "effective_dof", "rule", "statement", "reason", "hand_read", "time", "seconds",
)  # fmt: skip
_OF_RUN = ("run", "serial", "attempt", "scope")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def csv_text(run: Run) -> str:
    """All readings, and planned ones that were never reached, as CSV with a line of headings."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    opened = run.opened
    marked = "SIMULATED" if opened.simulated else "no"
    for reading in run.every_reading:
        cells = [getattr(opened if name in _OF_RUN else reading, name) for name in COLUMNS[1:]]
        writer.writerow([marked, *map(_cell, cells)])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) else text  # a meter's answer must not become a formula
