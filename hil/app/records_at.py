"""Which record a command reads: the real one, or the simulated one, by what exists."""

from pathlib import Path

from hil.app.settings import Settings
from hil.errors import UsageError


def existing_record(settings: Settings) -> str:
    """The record of real runs when it exists or is asked for, else the one of simulated runs.

    Raises:
        UsageError: there is none.
    """
    found = settings.records(simulated=False)
    if "://" in found or Path(found).is_file():
        return found
    simulated = settings.records(simulated=True)
    if Path(simulated).is_file():
        return simulated
    raise UsageError(f"{found}: no record there. Check a unit first, or name the folder with --out.")
