"""``hil rework``: what was done to a unit between two attempts."""

import argparse
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "rework",
        help="record what was done to a unit between two attempts, or list it",
        description="Without --action: list what was done to the unit.",
    )
    parser.add_argument("serial", metavar="SERIAL", help="serial number of the unit")
    parser.add_argument("--action", metavar="WORD", help="what was done: replaced, resoldered, cleaned …")
    parser.add_argument("--target", default="", metavar="DESIGNATOR", help="to which component, such as R5")
    parser.add_argument("--note", default="", metavar="TEXT", help="anything else worth knowing")
    parser.add_argument("--simulated", action="store_true", help="in the record of simulated runs")
    add_settings(parser, "out", "records", "operator")


def run(options: argparse.Namespace) -> int:
    """Record or list; 0."""
    from hil.app.records_at import existing_record
    from hil.app.rework import record_rework
    from hil.core.ledger import Rework
    from hil.real.wallclock import WallClock
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = existing_record(settings, simulated=options.simulated)
    with open_store(where, read_only=options.action is None) as store:
        if options.action is not None:
            record_rework(
                store, options.serial, action=options.action, target=options.target, note=options.note,
                operator=settings["operator"], now=WallClock().now(),
            )  # fmt: skip
        for entry in store.entries(Rework, subject=options.serial):
            what = " ".join(word for word in (entry.action, entry.target) if word)
            after = f"after run {entry.after_run}" if entry.after_run else "before any run"
            print(f"{entry.time[:19]}  {what}  {after}  {entry.author}  {entry.note}".rstrip())
    return 0
