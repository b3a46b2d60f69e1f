"""What several commands start from: the files of a check and the budget that each of its rows will have."""

from typing import TYPE_CHECKING

from hil.app.settings import Settings

if TYPE_CHECKING:
    from hil.app.check_unit import Files
    from hil.app.expected import Expected


def expected_of(settings: Settings, *, only: str = "") -> "tuple[Files, tuple[Expected, ...]]":
    """Files of a scope and its numeric rows with their budgets; touches no hardware.

    Raises:
        UsageError: a file is wrong, or no row matches.
    """
    from hil.app.check_unit import read_files
    from hil.app.expected import expected_rows
    from hil.app.open_bench import roles_of
    from hil.app.unit_run import UnitRun
    from hil.real.wallclock import WallClock
    from hil.runner import CHECKS, plan_unit

    today = WallClock().now()[:10]
    files = read_files(settings, today=today, only=only)
    unit_run = UnitRun(
        serial="",
        scope=files.scope,
        rows=files.rows,
        outside_scope=files.outside_scope,
        available_roles=roles_of(files.bench),
        kit=files.kit,
    )
    plan = plan_unit(unit_run, (CHECKS, *settings.checks))
    return files, expected_rows(files.rows, files.bench, files.kit, plan.rows, today)
