"""The one place that runs pytest: one session a unit, inside one warm process.

Nothing from outside may turn a partial run into a complete one: PYTEST_ADDOPTS and PYTEST_PLUGINS are dropped, no
other configuration file, conftest or plugin is read, and a run with fewer readings than its plan is never complete.
"""

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from hil.app.unit_run import UnitRun
from hil.core.plan import Plan
from hil.errors import BenchError, HilError, UsageError
from hil.suite import ROOT

CHECKS = ROOT / "tests" / "board"
# pytest's own plugins that a check never needs; some of them cost more than the rest of the session together.
_NOT_NEEDED = (
    "faulthandler", "unraisableexception", "threadexception", "warnings", "logging", "doctest", "unittest",
    "stepwise", "pastebin", "setuponly", "setupplan", "debugging", "subtests", "skipping", "capture", "recwarn",
    "terminalprogress", "tmpdir", "monkeypatch", "legacypath",
)  # fmt: skip
# pytest marks a check that has no row in this scope as skipped; with its plugin left out nobody else declares the mark.
_INI = "[pytest]\naddopts =\npython_files = test_*.py\nmarkers = skip: no row of this check in this scope\n"


def plan_unit(unit_run: UnitRun, checks: Sequence[Path] = (CHECKS,)) -> Plan:
    """Collect the checks and return the plan; touches no hardware.

    Raises:
        UsageError: a check that cannot be imported, or two checks that read the same row.
    """
    _session(unit_run, checks, ["--collect-only"])
    if unit_run.plan is None:
        raise UsageError("The checks could not be planned.")
    return unit_run.plan


def run_unit(
    unit_run: UnitRun,
    folder: Path | None = None,
    *,
    checks: Sequence[Path] = (CHECKS,),
    plugins: Sequence[object] = (),
) -> None:
    """Run the checks on one unit; what came of it stands in `unit_run` (closed, trouble).

    Args:
        folder: where report.html and junit.xml go; None: no reports.
        plugins: more pytest plugins, for the report.

    Raises:
        HilError: the run could not begin; after it has begun, trouble is in ``unit_run.trouble``.
        KeyboardInterrupt: the operator stopped it; the run is closed.
    """
    options: list[str] = []
    if folder is not None:
        _make(folder)
        report = folder / "report.html"
        options += ["-p", "pytest_metadata.plugin", "-p", "pytest_html.plugin"]
        options += [f"--html={report}", "--self-contained-html"]
        options += [f"--junitxml={folder / 'junit.xml'}"]
    _session(unit_run, checks, options, plugins)
    if not unit_run.has_begun:
        raise unit_run.trouble or BenchError("pytest ended before the run began.")
    if isinstance(unit_run.trouble, KeyboardInterrupt):
        raise unit_run.trouble


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(f"{folder}: cannot be made ({problem.strerror}). Choose another folder with --out.") from None


def _session(unit_run: UnitRun, checks: Sequence[Path], options: list[str], plugins: Sequence[object] = ()) -> None:
    from hil.fixtures.plugin import BoardChecks  # late: fixtures/ sits above this room

    missing = [str(path) for path in checks if not path.exists()]
    if missing:
        raise UsageError(f"{missing[0]}: no such folder or file with checks. Correct --checks or hil.toml.")
    problems = CollectionProblems()
    with tempfile.TemporaryDirectory(prefix="hil-pytest-") as folder, _without_outside_settings():
        ini = Path(folder) / "pytest.ini"
        ini.write_text(_INI)
        arguments = [
            *("-c", str(ini), "--rootdir", folder, "--confcutdir", folder, "--import-mode=importlib"),
            *("--disable-plugin-autoload", "-p", "hil.fixtures", "-p", "no:cacheprovider", "-p", "no:terminal"),
            "--noconftest",
            *(word for plugin in _NOT_NEEDED for word in ("-p", f"no:{plugin}")),
            *options,
            *map(str, checks),
        ]
        carriers = [_Named("hil-board-checks", BoardChecks(unit_run)), problems, *plugins]
        try:
            code = pytest.main(arguments, plugins=carriers)
        except OSError as problem:  # pytest writes its reports last, when the run is closed
            if unit_run.closed is None:
                raise
            code = pytest.ExitCode.OK
            unit_run.trouble = unit_run.trouble or BenchError(
                f"The reports of {unit_run.serial} cannot be written ({problem.strerror}). The run is in the record: "
                "make room, then see it with 'hil show' and 'hil certify'."
            )
    if problems.texts:
        raise UsageError(f"A check cannot be read: {problems.texts[0]}")
    if isinstance(unit_run.trouble, HilError) and not unit_run.has_begun:
        raise unit_run.trouble
    if code == pytest.ExitCode.USAGE_ERROR:
        raise UsageError("pytest refused the board checks. Run 'hil plan' to see them.")


class _Named:
    """Registers a plugin object under a name of its own."""

    def __init__(self, name: str, plugin: object) -> None:
        self._name, self._plugin = name, plugin

    def pytest_configure(self, config: pytest.Config) -> None:
        """Register it."""
        config.pluginmanager.register(self._plugin, self._name)


class CollectionProblems:
    """Keeps what went wrong while checks were imported."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """One module or folder was collected."""
        if report.failed:
            self.texts.append(f"{report.nodeid}: {report.longreprtext}")


@contextmanager
def _without_outside_settings() -> Iterator[None]:
    """The environment without what would change a run; as it was afterwards."""
    dropped = {name: os.environ.pop(name) for name in ("PYTEST_ADDOPTS", "PYTEST_PLUGINS") if name in os.environ}
    try:
        yield
    finally:
        os.environ.update(dropped)
