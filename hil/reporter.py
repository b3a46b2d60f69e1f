"""pytest's own reports of a recorded run: the pytest-html page and the JUnit XML.

They are made from the record, not while measuring: a pytest session without items is told of every recorded reading as
the outcome of its check. So the reports of any run, an interrupted one among them, can be made again, and nobody waits
for them at the bench.
"""

from collections.abc import Iterator
from copy import copy
from pathlib import Path
from typing import Literal

import pytest
import pytest_html.plugin
import pytest_metadata.plugin

from hil.core.records import Reading, Run, UnitVerdict, Verdict
from hil.errors import BenchError
from hil.render.junit import JunitProperties, case_properties
from hil.render.report import HtmlReport
from hil.runner import run_pytest

PAGE, XML = "report.html", "junit.xml"
# Readings may have failed, and of a session without items pytest says that it found no tests.
_AS_EXPECTED = (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.NO_TESTS_COLLECTED)


def report_run(run: Run, folder: Path, html: HtmlReport) -> list[Path]:
    """Write report.html and junit.xml of a run into a folder.

    Raises:
        BenchError: they cannot be written; the run itself is in the record.
    """
    made = [folder / PAGE, folder / XML]
    arguments = ["-p", "no:python", f"--html={made[0]}", "--self-contained-html", f"--junitxml={made[1]}"]
    plugins = [
        pytest_metadata.plugin,
        pytest_html.plugin,
        Told(run),
        html,
        JunitProperties(run),
    ]  # not by name: see there
    try:
        code = run_pytest(arguments, plugins)
    except OSError as problem:
        raise BenchError(f"{folder}: cannot be written: {problem.strerror}. The run itself is in the record.") from None
    missing = [path for path in made if not path.exists()]
    if missing or code not in _AS_EXPECTED:
        raise BenchError(
            f"{(missing or made)[0]}: was not written. The run itself is in the record: hil show {run.opened.run}"
        )
    return made


class Told:
    """Plugin object that tells a session what was measured."""

    def __init__(self, run: Run) -> None:
        self._run = run

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection(self, session: pytest.Session) -> bool:
        """Nothing is collected: everything has happened."""
        session.items = []
        session.config.hook.pytest_collection_finish(session=session)
        return True

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Every planned row as the outcome of its check; then the run itself, where it came to no verdict."""
        reports = [report for reading in self._run.every_reading for report in reports_of(reading)]
        if self._run.verdict is UnitVerdict.INCOMPLETE:
            reports += _no_verdict(self._run)
        for report in reports:
            session.config.hook.pytest_runtest_logreport(report=report)
        return True


def reports_of(reading: Reading) -> Iterator[pytest.TestReport]:
    """What pytest would have reported of a row: its call, and the end that its writers wait for."""
    module, _, function = (reading.check or "run::never_reached").partition("::")
    name = f"{function}[{reading.name}]"
    said = f"{reading.name}: {reading.verdict.value.replace('_', ' ')}: {reading.reason}"
    outcome: Literal["passed", "failed", "skipped"] = "passed"
    why: tuple[str, int, str] | str | None = None
    if reading.verdict is Verdict.NOT_MEASURED:
        outcome, why = "skipped", (module, 0, said)
    elif reading.verdict in (Verdict.FAIL, Verdict.UNDECIDED):
        outcome, why = "failed", said
    call = pytest.TestReport(
        nodeid=f"{module}::{name}",
        location=(module, None, name),
        keywords={},
        outcome=outcome,
        longrepr=why,
        when="call",
        duration=reading.seconds,
        user_properties=case_properties(reading),
    )
    yield call
    yield _end_of(call)


def _no_verdict(run: Run) -> Iterator[pytest.TestReport]:
    """An error, so that nobody who only counts failures takes rows without one for a good unit."""
    reason = run.closed.reason if run.closed else "interrupted: the run was never closed"
    began = pytest.TestReport(
        nodeid="run::verdict",
        location=("run", None, "verdict"),
        keywords={},
        outcome="failed",
        longrepr=f"{run.verdict}: {reason}",
        when="setup",
        user_properties=[("simulated", "true" if run.opened.simulated else "false")],
    )
    yield began
    yield _end_of(began)


def _end_of(report: pytest.TestReport) -> pytest.TestReport:
    end = copy(report)
    end.when, end.outcome, end.longrepr, end.duration = "teardown", "passed", None, 0.0
    return end
