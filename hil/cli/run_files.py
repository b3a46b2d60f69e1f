"""The files of a run, made by name: `hil check` has another process do it, which alone loads what it takes."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hil.core.records import Run
    from hil.store.sqlite_store import RecordStore


def make(run: "Run", store: "RecordStore", folder: Path, now: str) -> Sequence[Path]:
    """Report, JUnit XML, CSV and certificate; see `hil.app.outputs.make_files`."""
    from hil.app.outputs import make_files
    from hil.reporter import report_run

    return make_files(run, store, folder, now, report_run)


def get_ready() -> None:
    """Load everything that `make` needs."""
    import hil.reporter  # noqa: F401
    from hil.app.certify import shipped_paper

    shipped_paper().warm_up()
