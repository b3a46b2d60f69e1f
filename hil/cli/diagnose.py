"""``hil diagnose``: which fault explains a failing run, and where to probe next."""

import argparse
import json
import sys
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "diagnose",
        help="which fault explains a failing run, and where to probe next",
        description="Rank the causes of a failing run by all of its readings. Enter what was probed since with "
        "--probe; what was entered before counts too.",
    )
    parser.add_argument("run", metavar="RUN", help="a run, the beginning of one, or a serial number (its latest)")
    parser.add_argument(
        "--probe", action="append", default=[], metavar="POINT=VALUE",
        help="what was measured since: 'U3.4=4.99 V' (on, 7.4 V), 'R5=1 kohm' (across, power off); repeatable",
    )  # fmt: skip
    parser.add_argument("--forget", action="store_true", help="forget what was probed before")
    parser.add_argument("--json", action="store_true", help="as one JSON object")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    add_settings(parser, "out", "records", "operator")


def run(options: argparse.Namespace) -> int:
    """Print the diagnosis and write it to the record; 0."""
    from hil.app.diagnose import as_json, diagnose_recorded
    from hil.app.records_at import existing_record
    from hil.real.wallclock import WallClock
    from hil.render.diagnosis import print_diagnosis
    from hil.render.summary import print_simulated
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = settings.records(simulated=True) if options.simulated else existing_record(settings)
    with open_store(where) as store:
        explained = diagnose_recorded(
            store, options.run, probed=options.probe, forget=options.forget, now=WallClock().now(),
            author=settings["operator"],
        )  # fmt: skip
    if options.json:
        print(json.dumps(as_json(explained)))
        return 0
    if explained.run.opened.simulated:
        print_simulated(sys.stdout)
    print_diagnosis(explained, sys.stdout)
    if explained.run.opened.simulated:
        print_simulated(sys.stdout)
    return 0
