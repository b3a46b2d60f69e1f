"""``hil plan``: what a check would measure; touches no hardware."""

import argparse
import json
from dataclasses import asdict
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "plan",
        help="what a check would measure: rows, missing roles, fittings, time; touches no hardware",
        description="List the rows of a scope in the order they are measured, what they need, and how long it takes.",
    )
    add_settings(parser, "bench", "limits", "scope", "checks")
    parser.add_argument("--only", default="", metavar="GLOB", help="only these rows and those that they come after")
    parser.add_argument("--json", action="store_true", help="the plan as one JSON object")


def run(options: argparse.Namespace) -> int:
    """Print the plan; 0, or 2 when a row could not be measured on this bench."""
    from hil.app.check_files import read_files, refuse_parts, unit_run_of
    from hil.app.expected import refuse_empty_zones
    from hil.app.open_bench import roles_of
    from hil.real.wallclock import WallClock
    from hil.runner import CHECKS, plan_unit

    settings = settings_from(options)
    today = WallClock().now()[:10]
    files = read_files(settings, today=today, only=options.only)
    plan = plan_unit(unit_run_of(files), (CHECKS, *settings.checks))
    refuse_parts(files, [row.name for row in plan.rows], today)
    refuse_empty_zones(files.rows, files.bench, files.kit, plan.rows, today)
    if options.json:
        found = asdict(plan) | {"seconds": plan.seconds, "fittings": plan.fittings, "bench": files.bench.bench}
        print(json.dumps(found))
    else:
        from hil.render.summary import print_plan

        print_plan(plan, files.rows, has_selector="selector" in roles_of(files.bench), only=files.only)
    return 2 if plan.unread or plan.missing_roles else 0
