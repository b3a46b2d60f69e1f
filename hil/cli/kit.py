"""``hil kit``: the life of the reference parts, and which of them have moved."""

import argparse
import json
import sys
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "kit",
        help="parts and instruments: value today, drift, when they should go back; which parts have moved",
        description="List every part of the bench's kit with its value today, its drift and when it should go back. "
        "With --since, hold the readings of checked units at each part against those before that date, through the "
        "other parts: exit 3 when one has moved.",
    )
    parser.add_argument("--since", default="", metavar="DATE", help="cross-check the kit on record around this date")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    parser.add_argument("--json", action="store_true", help="one JSON object a part or instrument")
    add_settings(parser, "bench", "out", "records")


def run(options: argparse.Namespace) -> int:
    """Print the kit; 0, or 3 when a part must not be used or has moved."""
    from hil.app.kit import cross_check_kit, instrument_lives, lives
    from hil.app.locate import load_bench, load_kit_of
    from hil.app.records_at import existing_record
    from hil.real.wallclock import WallClock
    from hil.render.kit_table import (
        instrument_json,
        life_json,
        moved_json,
        print_instruments,
        print_lives,
        print_moved,
    )
    from hil.store.sqlite_store import open_store

    settings, today = settings_from(options), WallClock().now()[:10]
    bench = load_bench(settings["bench"])
    kit = load_kit_of(bench, today=today)
    if options.since:
        where = existing_record(settings, simulated=options.simulated)
        with open_store(where, read_only=True) as store:
            found = cross_check_kit(store.runs(), kit, since=options.since)
        if options.json:
            for one in found:
                print(json.dumps(moved_json(one)))
        else:
            print_moved(found, sys.stdout)
        return 3 if any(one.check.has_moved for one in found) else 0
    parts, instruments = lives(kit, today), instrument_lives(bench, today)
    if options.json:
        for life in parts:
            print(json.dumps(life_json(life)))
        for instrument in instruments:
            print(json.dumps(instrument_json(instrument)))
    else:
        if instruments:
            print_instruments(instruments, sys.stdout)
        print_lives(parts, today, sys.stdout)
    return 3 if any(life.trouble for life in parts) or any(life.trouble for life in instruments) else 0
