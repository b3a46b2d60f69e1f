"""``hil budget``: where the uncertainty of a reading comes from."""

import argparse
import json
import sys
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "budget",
        help="where the uncertainty of a reading comes from, as a table with bars",
        description="The budget of a row's reading at the centre of its limit, of a recorded reading (--run), or the "
        "best that one unit could do (--at-best). Each is held against Monte Carlo (JCGM 101 clause 8).",
    )
    parser.add_argument("name", metavar="NAME", help="name of a row, or a pattern such as 'c_*'")
    source = parser.add_mutually_exclusive_group()
    source.add_argument("--run", metavar="RUN", default="", help="a recorded run, or a serial number (its latest run)")
    source.add_argument(
        "--at-best", metavar="RUN", default="", help="predict from f1, f2, Ccal and scale of a recorded run"
    )
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    parser.add_argument("--json", action="store_true", help="one JSON object a row")
    add_settings(parser, "bench", "limits", "scope", "out", "records", "checks")


def run(options: argparse.Namespace) -> int:
    """Print the budgets; 0."""
    from hil.app.budget_sources import at_best, expected_budgets, recorded
    from hil.app.budgets import circumstances_of
    from hil.app.locate import load_bench
    from hil.app.records_at import existing_record
    from hil.render.budget_table import as_json, print_budget

    settings = settings_from(options)
    if options.run:
        found = recorded(existing_record(settings, simulated=options.simulated), options.run, options.name)
    elif options.at_best:
        meter = circumstances_of(load_bench(settings["bench"]), "").meter
        found = at_best(existing_record(settings, simulated=options.simulated), options.at_best, options.name, meter)
    else:
        from hil.cli.planned import expected_of

        found = expected_budgets(expected_of(settings, only=options.name)[1], options.name)
    for one in found:
        if options.json:
            print(json.dumps(as_json(one), ensure_ascii=False, allow_nan=False))
        else:
            print_budget(one, sys.stdout)
    return 0
