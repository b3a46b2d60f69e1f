"""Which record a command reads: the real one, or the simulated one, by what exists."""

from pathlib import Path

from hil.app.settings import Settings
from hil.errors import UsageError


def existing_record(settings: Settings, *, simulated: bool = False) -> str:
    """The record of simulated runs if that is meant; else that of real runs, or without one that of simulated runs.

    Raises:
        UsageError: there is none.
    """
    real, other = settings.records(simulated=False), settings.records(simulated=True)
    for found in (other,) if simulated else (real, other):
        if "://" in found or Path(found).is_file():
            return found
    raise UsageError(
        f"{other if simulated else real}: no record there. Check a unit first, or name the folder with --out."
    )
