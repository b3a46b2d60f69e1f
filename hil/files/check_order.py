"""The order in which rows are to be taken: text <-> row names.

format = 1
board = "qm2"
limits_sha256 = "…"        # of the limits whose rows these are; other limits want an order of their own
rows = ["r_comp", …]       # rows that are not named come last, as the checks give them
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from hil.core.limit import Limits
from hil.files.located import did_you_mean, parse_document


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOrder:
    """An order, and where it was read from."""

    rows: tuple[str, ...]
    file: str


def order_text(rows: Sequence[str], *, board: str, limits: Limits) -> str:
    """The file of an order."""
    listed = "".join(f"    {json.dumps(name)},\n" for name in rows)
    return (
        f"# The order of rows that finds a fault soonest, for 'hil check --first-fail --order'.\n"
        f"# Made by 'hil coverage' for {limits.file}, revision {limits.revision}. Rows that are not named come last.\n"
        f'format = 1\nboard = "{board}"\nlimits_sha256 = "{limits.sha256}"\nrows = [\n{listed}]\n'
    )


def parse_order(label: str, text: str, limits: Limits) -> CheckOrder:
    """Read an order for these limits.

    Raises:
        FileError: anything wrong: other limits, an unknown row, a row named twice.
    """
    document = parse_document(label, text)
    document.only(("format", "board", "limits_sha256", "rows"))
    if document.text("board") != limits.board:
        raise document.error("board", f"is {document.text('board')!r}, but the limits are of {limits.board!r}.")
    if document.text("limits_sha256") != limits.sha256:
        raise document.error(
            "limits_sha256",
            f"is not that of {limits.file}, revision {limits.revision}. Make a new order with 'hil coverage --order'.",
        )
    rows = document.texts("rows")
    known = [row.name for row in limits.rows]
    for number, name in enumerate(rows):
        if name not in known:
            raise document.error("rows", f"{name!r} is no row of {limits.file}. {did_you_mean(name, known)}")
        if name in rows[:number]:
            raise document.error("rows", f"{name!r} is named twice. Remove one of them.")
    return CheckOrder(rows=rows, file=label)
