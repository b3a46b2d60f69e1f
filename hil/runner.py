"""The one place that runs pytest: one session serves all units of a call, one after the other.

Nothing from outside may turn a partial run into a complete one: PYTEST_ADDOPTS and PYTEST_PLUGINS are dropped, no
other configuration file, conftest or plugin is read, and a run with fewer readings than its plan is never complete.
"""

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

import pytest
from greenlet import getcurrent, greenlet

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
    with BoardSession(checks, "--collect-only") as session:
        session.hand_over(unit_run)
    if unit_run.plan is None:
        raise UsageError("The checks could not be planned.")
    return unit_run.plan


def run_unit(unit_run: UnitRun, *, checks: Sequence[Path] = (CHECKS,)) -> None:
    """Run the checks on one unit in a session of its own; see `BoardSession`."""
    with BoardSession(checks) as session:
        session(unit_run)


class BoardSession:
    """A pytest session that is collected once and then takes one unit after the other.

    pytest.main() returns only when a session is over, and whoever asks for units wants to see each of them as soon as
    it is closed. So the session runs in a coroutine of its own (greenlet), on the same thread: it hands over after
    every unit and goes on with the next, or ends when there is none. Collecting and configuring would otherwise cost
    more at each unit than its readings.

    Args:
        checks: folders or files with checks.
        options: more options for pytest.
    """

    def __init__(self, checks: Sequence[Path] = (CHECKS,), *options: str) -> None:
        self._checks, self._options = tuple(checks), options
        self._session: greenlet | None = None
        self._about: object = None  # what the items were collected for
        self._problems = CollectionProblems()
        self._code: int = pytest.ExitCode.OK

    def __enter__(self) -> "BoardSession":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the session; the next unit begins another."""
        if self._session is not None and not self._session.dead:
            self._session.parent = getcurrent()
            self._session.switch(None)
        self._session = None

    def __call__(self, unit_run: UnitRun) -> None:
        """Run the checks on one unit; what came of it stands in `unit_run` (closed, trouble).

        Raises:
            HilError: the run could not begin; after it has begun, trouble is in ``unit_run.trouble``.
            KeyboardInterrupt: the operator stopped it; the run is closed.
        """
        self.hand_over(unit_run)
        if not unit_run.has_begun:
            raise unit_run.trouble or BenchError("pytest ended before the run began.")
        if isinstance(unit_run.trouble, KeyboardInterrupt):
            raise unit_run.trouble

    def hand_over(self, unit_run: UnitRun) -> None:
        """Have the session plan or check a unit.

        Raises:
            HilError: checks that cannot be read, or a run that could not begin.
            KeyboardInterrupt: stopped before the run began.
        """
        missing = [str(path) for path in self._checks if not path.exists()]
        if missing:
            raise UsageError(f"{missing[0]}: no such folder or file with checks. Correct --checks or hil.toml.")
        about = (
            unit_run.rows, unit_run.only, unit_run.scope, unit_run.outside_scope, unit_run.available_roles,
            unit_run.order,
        )  # fmt: skip
        if self._session is not None and (self._session.dead or self._about != about):
            self.close()
        if self._session is None:
            self._about, self._problems, self._code = about, CollectionProblems(), pytest.ExitCode.OK
            self._session = greenlet(self._run)
        self._session.parent = getcurrent()
        self._session.switch(unit_run)
        if self._problems.texts:
            raise UsageError(f"A check cannot be read: {self._problems.texts[0]}")
        if isinstance(unit_run.trouble, HilError) and not unit_run.has_begun:
            raise unit_run.trouble
        if self._code == pytest.ExitCode.INTERRUPTED and not unit_run.has_begun:
            raise KeyboardInterrupt
        if self._code == pytest.ExitCode.USAGE_ERROR:
            raise UsageError("pytest refused the board checks. Run 'hil plan' to see them.")

    def _run(self, unit_run: UnitRun) -> None:
        # late: fixtures/ sits above this room
        from hil.fixtures import plugin as fixtures

        carriers = [_Named("hil-board-checks", fixtures.BoardChecks(unit_run, _next_unit)), self._problems]
        self._code = run_pytest(
            ["--import-mode=importlib", *self._options, *map(str, self._checks)],
            [fixtures, *carriers],
        )


def _next_unit() -> UnitRun | None:
    """Wait, in the session, for the next unit; None: there is none."""
    waiting = getcurrent().parent
    assert waiting is not None  # the session is never the first coroutine of a thread
    found: UnitRun | None = waiting.switch()
    return found


def run_pytest(arguments: Sequence[str], plugins: Sequence[object]) -> int:
    """Run pytest without any setting from outside; its exit code."""
    with tempfile.TemporaryDirectory(prefix="hil-pytest-") as folder, _without_outside_settings():
        ini = Path(folder) / "pytest.ini"
        ini.write_text(_INI)
        here = ("-c", str(ini), "--rootdir", folder, "--confcutdir", folder)
        without = (word for plugin in _NOT_NEEDED for word in ("-p", f"no:{plugin}"))
        common = ("--disable-plugin-autoload", "--noconftest", "-p", "no:cacheprovider", "-p", "no:terminal")
        return pytest.main([*here, *common, *without, *arguments], plugins=list(plugins))


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
