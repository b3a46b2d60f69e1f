"""What a reader must know before believing the figures of a lot: odd clocks, few units, readings that lack or stay."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hil.app.lot_runs import Runs, taken

if TYPE_CHECKING:
    from hil.app.lot_figures import CheckFigures

LEAST_CONTROL = 20  # units
MOST_NAMED = 5


def counted(number: int, one: str, more: str) -> str:
    """The number with its noun and verb."""
    return f"{number} {one if number == 1 else more}"


def named(words: Sequence[str]) -> str:
    """The first few of them."""
    return ", ".join(words[:MOST_NAMED]) + (f" and {len(words) - MOST_NAMED} more" if len(words) > MOST_NAMED else "")


def notes_on(
    runs: Runs,
    checks: Sequence["CheckFigures"],
    *,
    units: int,
    complete: int,
    limits_revisions: Sequence[str],
    simulated: bool,
) -> tuple[str, ...]:
    """Notes in the order in which they matter.

    Args:
        runs: in the order of time.
        units, complete: how many there are, and how many of them have a complete run.
    """
    notes = [] if simulated else _clocks(runs)
    if len(limits_revisions) > 1:
        notes.append(
            f"limits changed within this lot ({', '.join(limits_revisions)}); verdicts are those of their own time, "
            "figures and plots are against the latest limits"
        )
    if not complete:
        return (*notes, "no unit has a complete run: there is nothing to judge yet")
    if complete < units:
        without = counted(units - complete, "unit has", "units have")
        notes.append(f"{without} no complete run, and no part in yields and checks")
    if complete < LEAST_CONTROL:
        notes.append(f"fewer than {LEAST_CONTROL} units: too few to speak of control, drift or outliers")
    lacking = sorted((one for one in checks if one.missing), key=lambda one: -one.missing)
    if lacking:
        words = named([f"{one.title} of {counted(one.missing, 'unit', 'units')}" for one in lacking])
        notes.append(f"readings are missing ({words}); a check is judged by the units that have one")
    constant = [one.title for one in checks if one.count >= 2 and one.sd == 0]
    if constant:
        reads = counted(len(constant), "check reads", "checks read")
        notes.append(f"{reads} the same on all units ({named(constant)}): without a spread there is no capability")
    return tuple(notes)


def _clocks(runs: Runs) -> list[str]:
    notes = []
    if (np.diff(runs["run_no"]) < 0).any():
        notes.append(
            "runs were not recorded in the order of their times: a clock went backwards, or records were merged; "
            "the order of their times counts"
        )
    whole = taken(runs, runs["only"] == "")
    whole = taken(whole, np.lexsort((whole["attempt"], whole["serial"])))
    again = whole["serial"][1:] == whole["serial"][:-1]
    backwards = int((again & (np.diff(whole["opened_s"]) < 0)).sum())
    if backwards:
        notes.append(
            f"{counted(backwards, 'retest is', 'retests are')} dated before the check repeated: a clock went "
            "backwards; the number of the attempt says which is the later one"
        )
    return notes
