"""What several commands start from: the files of a check and the budget that each of its rows will have."""

from typing import TYPE_CHECKING

from hil.app.settings import Settings

if TYPE_CHECKING:
    from hil.app.check_files import Files
    from hil.app.expected import Expected


def expected_of(settings: Settings, *, only: str = "") -> "tuple[Files, tuple[Expected, ...]]":
    """Files of a scope and its numeric rows with their budgets; touches no hardware.

    Raises:
        UsageError: a file is wrong, or no row matches.
    """
    from hil.app.check_files import read_files, unit_run_of
    from hil.app.expected import expected_rows
    from hil.real.wallclock import WallClock
    from hil.runner import CHECKS, plan_unit

    today = WallClock().now()[:10]
    files = read_files(settings, today=today, only=only)
    plan = plan_unit(unit_run_of(files), (CHECKS, *settings.checks))
    asked = {row.name for row in files.limits.in_scope(files.scope, only)}
    rows = [row for row in files.rows if row.name in asked]
    return files, expected_rows(rows, files.bench, files.kit, plan.rows, today)
