"""The files of a run: report, JUnit XML, readings as CSV, the certificate."""

from collections.abc import Callable, Sequence
from pathlib import Path

from hil.app.certify import certify, shipped_paper
from hil.app.diagnose import Explained, explain, record
from hil.app.whole_file import write_whole
from hil.core.records import Run, UnitVerdict
from hil.errors import UsageError
from hil.render.csv_table import csv_text
from hil.render.diagnosis import diagnosis_html
from hil.render.report import HtmlReport
from hil.store.sqlite_store import RecordStore


def explained(run: Run, store: RecordStore | None = None) -> Explained | None:
    """The diagnosis of a run that failed; None when it did not, or no dictionary is made for what it was read with."""
    if run.verdict is not UnitVerdict.FAIL:
        return None
    try:
        return explain(run, store=store)
    except UsageError:
        return None  # 'hil diagnose' says why


Report = Callable[[Run, Path, HtmlReport], Sequence[Path]]


def make_files(run: Run, store: RecordStore, folder: Path, now: str, report: Report) -> Sequence[Path]:
    """Report, CSV and certificate of a closed run, and its diagnosis in the record.

    Args:
        report: writes pytest's reports (`hil.reporter.report_run`).

    Raises:
        BenchError: they cannot be written; the run itself is in the record.
    """
    found = explained(run, store)
    if found is not None:
        record(store, found, now=now, author=run.opened.operator)
    html = HtmlReport(run, shipped_paper(), "" if found is None else diagnosis_html(found))
    made = list(report(run, folder, html))
    made.append(write_whole(folder / "readings.csv", csv_text(run).encode()))
    made.extend(certify(run, store, folder, now=now).paths)
    return made
