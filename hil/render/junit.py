"""What our readings add to the JUnit XML that pytest writes: properties of the suite and of every test case.

``simulated`` stands on the suite, in its name, and on every single case, so that no cut-out is without it. A plugin
object like `hil.render.report.HtmlReport`.
"""

from typing import Any

from pluggy import HookimplMarker

from hil.core.records import Reading, Run

hook = HookimplMarker("pytest")
_OF_READING = (
    "verdict", "value", "unit", "lower", "upper", "accept_lower", "accept_upper", "expected", "nominal",
    "expanded_uncertainty", "coverage_factor", "rule", "reason",
)  # fmt: skip


class JunitProperties:
    """Plugin object for pytest's ``--junitxml``: what belongs to the run."""

    def __init__(self, run: Run) -> None:
        self._run = run

    @hook(tryfirst=True)
    def pytest_sessionfinish(self, session: Any) -> None:
        """Name and properties of the suite."""
        run = self._run
        for plugin in session.config.pluginmanager.get_plugins():
            if hasattr(plugin, "add_global_property"):  # pytest's own writer of the XML
                for name, value in suite_properties(run):
                    plugin.add_global_property(name, value)
                plugin.suite_name = f"{'SIMULATED ' if run.opened.simulated else ''}{run.opened.serial}"


def case_properties(reading: Reading) -> list[tuple[str, str]]:
    """Properties of one reading; what it has not is left out."""
    found = [("simulated", _text(reading.simulated)), ("name", reading.name)]
    values = ((name, getattr(reading, name)) for name in _OF_READING)
    return found + [(name, _text(value)) for name, value in values if value is not None and value != ""]


def suite_properties(run: Run) -> list[tuple[str, str]]:
    """Properties of the run."""
    opened = run.opened
    return [
        ("simulated", _text(opened.simulated)),
        ("run", opened.run),
        ("serial", opened.serial),
        ("verdict", run.verdict.value),
        ("scope", opened.scope),
        ("attempt", str(opened.attempt)),
        ("limits_sha256", opened.limits_sha256),
    ]


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(value)
