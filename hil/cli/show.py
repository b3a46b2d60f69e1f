"""``hil show``: a recorded run on the screen, as CSV or as JSON; without a run, the latest ones."""

import argparse
import sys
from typing import Any

from hil.cli.options import add_settings, settings_from

LATEST = 20


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "show",
        help="a recorded run, on the screen or as CSV or JSON",
        description="Show every reading of a recorded run. Without RUN, list the latest runs.",
    )
    parser.add_argument(
        "run", nargs="?", default="", metavar="RUN", help="a run, the beginning of one, or a serial number (its latest)"
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="as CSV, one line a reading")
    form.add_argument("--json", action="store_true", help="as one JSON object, like 'hil check --json'")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    add_settings(parser, "out", "records")


def run(options: argparse.Namespace) -> int:
    """Print the run; 0 whatever its verdict."""
    from hil.app.records_at import existing_record
    from hil.render.csv_table import csv_text
    from hil.render.jsonl import unit_line
    from hil.render.summary import print_run, print_runs, print_simulated
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = existing_record(settings, simulated=options.simulated)
    with open_store(where, read_only=True) as store:
        if not options.run:
            print_runs(store.summaries()[-LATEST:], sys.stdout)
            return 0
        name = store.find_run(options.run)
        found, files = store.run(name), [path for path, _ in store.files(name)]
    if options.csv:
        sys.stdout.write(csv_text(found))
    elif options.json:
        print(unit_line(found, files))
    else:
        if found.opened.simulated:
            print_simulated(sys.stdout)
        print_run(found, sys.stdout)
        if found.opened.simulated:
            print_simulated(sys.stdout)
    return 0
