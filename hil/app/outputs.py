"""The files of a run: readings as CSV, the certificate; report and JUnit XML are written by pytest as the run ends."""

from collections.abc import Sequence
from pathlib import Path

from hil.app.certify import certify, shipped_paper, write_whole
from hil.app.unit_run import UnitRun
from hil.core.records import Reading, Run
from hil.render.csv_table import csv_text
from hil.render.junit import JunitProperties
from hil.render.report import HtmlReport
from hil.store.sqlite_store import RecordStore


def report_plugins(unit_run: UnitRun) -> tuple[object, ...]:
    """Plugins that give pytest's reports our rows and properties."""

    def run() -> Run | None:
        if not unit_run.has_begun:
            return None
        recorder = unit_run.recorder
        return Run(opened=recorder.opened, readings=tuple(recorder.readings.values()), closed=unit_run.closed)

    def reading(name: str) -> Reading | None:
        return unit_run.recorder.readings.get(name) if unit_run.has_begun else None

    return HtmlReport(run, reading, shipped_paper()), JunitProperties(run, reading)


def make_files(run: Run, store: RecordStore, folder: Path, now: str) -> Sequence[Path]:
    """CSV and certificate of a closed run; what pytest has left is named too.

    Raises:
        BenchError: they cannot be written; the run itself is in the record.
    """
    made = [path for path in (folder / "report.html", folder / "junit.xml") if path.exists()]
    made.append(write_whole(folder / "readings.csv", csv_text(run).encode()))
    made.extend(certify(run, store, folder, now=now).paths)
    return made
