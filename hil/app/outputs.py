"""The files of a run: readings as CSV, the certificate; report and JUnit XML are written by pytest as the run ends."""

from collections.abc import Sequence
from pathlib import Path

from hil.app.certify import certify, shipped_paper
from hil.app.diagnose import Explained, explain, record
from hil.app.unit_run import UnitRun
from hil.app.whole_file import write_whole
from hil.core.records import Reading, Run, UnitVerdict
from hil.errors import UsageError
from hil.render.csv_table import csv_text
from hil.render.diagnosis import diagnosis_html
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

    return HtmlReport(run, reading, shipped_paper(), _diagnosis_section), JunitProperties(run, reading)


def explained(run: Run, store: RecordStore | None = None) -> Explained | None:
    """The diagnosis of a run that failed; None when it did not, or no dictionary is made for what it was read with."""
    if run.verdict is not UnitVerdict.FAIL:
        return None
    try:
        return explain(run, store=store)
    except UsageError:
        return None  # 'hil diagnose' says why


def _diagnosis_section(run: Run) -> str:
    found = explained(run)
    return "" if found is None else diagnosis_html(found)


def make_files(run: Run, store: RecordStore, folder: Path, now: str) -> Sequence[Path]:
    """CSV and certificate of a closed run, and its diagnosis in the record; what pytest has left is named too.

    Raises:
        BenchError: they cannot be written; the run itself is in the record.
    """
    made = [path for path in (folder / "report.html", folder / "junit.xml") if path.exists()]
    found = explained(run, store)
    if found is not None:
        record(store, found, now=now, author=run.opened.operator)
    made.append(write_whole(folder / "readings.csv", csv_text(run).encode()))
    made.extend(certify(run, store, folder, now=now).paths)
    return made
