"""``hil demo``: the main job on the simulated bench, a faulty unit among good ones."""

import argparse
import sys
from pathlib import Path
from typing import Any

UNITS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Q2-00001", ()),
    ("Q2-00002", ()),
    ("Q2-00003", ("R14=open",)),
)


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "demo",
        help="check a few units on the simulated bench, a faulty one among them, and leave certificates",
        description="Check three invented units on the simulated bench, one of them with a fault, and leave reports "
        "and certificates. Ends with 0 when the verdicts are those that were put in.",
    )
    parser.add_argument("--out", default="hil-out", metavar="FOLDER", help="folder for records and files")


def run(options: argparse.Namespace) -> int:
    """Check the units of the demo; 0 when the good ones pass and the faulty one fails."""
    from hil.app.check_unit import Order
    from hil.app.settings import DEFAULTS, Setting, Settings
    from hil.cli.check import check_orders
    from hil.core.records import UnitVerdict
    from hil.errors import UsageError
    from hil.real.wallclock import WallClock

    given = {"out": options.out, "operator": "demo", "lot": "demo"}
    by_name = {
        name: Setting(name=name, value=given.get(name, value), origin="hil demo" if name in given else "default")
        for name, value in DEFAULTS.items()
    }
    now = WallClock().now()
    orders = [
        Order(
            serials=(serial,),
            settings=Settings(by_name=by_name),
            now=now,
            faults=faults,
            retest_reason="the demo was run again",
        )
        for serial, faults in UNITS
    ]
    verdicts: list[UnitVerdict] = []
    try:
        check_orders(orders, as_json=False, seen=lambda run: verdicts.append(run.verdict))
    except UsageError as problem:  # its units have attempts like any others
        raise UsageError(f"{problem} For the demo: give it a new folder, 'hil demo --out FOLDER'.") from None
    expected = [UnitVerdict.FAIL if faults else UnitVerdict.PASS for _, faults in UNITS]
    print(f"Certificates and reports are in {Path(options.out)}/. 'hil show Q2-00003' says why that unit is no-go.")
    if verdicts != expected:
        print(f"hil demo: verdicts {verdicts} are not the expected {expected}.", file=sys.stderr)
        return 3
    return 0
