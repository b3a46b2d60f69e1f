"""``hil trace``: units and certificates that rest on a reference part or instrument."""

import argparse
import csv
import sys
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "trace",
        help="units and certificates that rest on a reference part or instrument",
        description="List every run with a reading that rests on a part or instrument, and the certificates issued.",
    )
    parser.add_argument("what", metavar="WHAT", help="part, role, certificate number, or a piece of an identity")
    parser.add_argument("--since", metavar="DATE", help="runs from this date on, like 2026-02-10")
    parser.add_argument("--until", metavar="DATE", help="runs before this date")
    parser.add_argument("--readings", action="store_true", help="name the readings too")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    parser.add_argument("--csv", action="store_true", help="as CSV")
    add_settings(parser, "out", "records")


def run(options: argparse.Namespace) -> int:
    """Print what rests on it; 0."""
    from hil.app.records_at import existing_record
    from hil.app.trace import trace
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = existing_record(settings, simulated=options.simulated)
    with open_store(where, read_only=True) as store:
        found = trace(store, options.what, since=options.since, until=options.until, with_readings=options.readings)
    if options.csv:
        table = csv.writer(sys.stdout)
        table.writerow(["serial", "run", "opened", "verdict", "stands", "equipment", "certificates", "readings"])
        for one in found:
            numbers = " ".join(certificate.uid for certificate in one.certificates)
            known = (one.run.serial, one.run.run, one.run.opened, one.run.verdict.value, one.stands, one.equipment)
            table.writerow([*known, numbers, " ".join(one.readings)])
        return 0
    for one in found:
        mark = "stands" if one.stands else "superseded or incomplete"
        print(f"{one.run.serial}  {one.run.opened[:19]}  {one.run.verdict:10}  {mark}  run {one.run.run}")
        print(f"    {one.equipment}")
        for certificate in one.certificates:
            print(f"    certificate {certificate.uid}, {certificate.time[:10]}")
        if one.readings:
            print(f"    {', '.join(one.readings)}")
    units = {one.run.serial for one in found}
    certificates = {certificate.uid for one in found for certificate in one.certificates}
    print(f"{len(units)} units, {len(found)} runs and {len(certificates)} certificates rest on {options.what}")
    return 0
