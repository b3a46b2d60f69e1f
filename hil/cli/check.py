"""``hil check``: measure, judge, record, certify."""

import argparse
import sys
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hil.cli.options import add_settings, settings_from

if TYPE_CHECKING:
    from hil.app.check_unit import Made, Order, Outcome
    from hil.core.records import Run
    from hil.store.sqlite_store import SqliteStore


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "check",
        help="check units: measure, judge, record, certify",
        description="Check units one after the other. Without --bench everything happens on the simulated bench.",
        epilog="Exit codes: 0 PASS, 1 FAIL, 2 INCOMPLETE or interrupted, 3 bench trouble, 4 usage or invalid file. "
        "Several units: the worst in the order 4, 3, 1, 2, 0.",
    )
    parser.add_argument("serials", nargs="+", metavar="SERIAL", help="serial number of a unit")
    add_settings(parser)
    parser.add_argument(
        "--only",
        default="",
        metavar="GLOB",
        help="only these rows and those that they come after, for rework; at best INCOMPLETE",
    )
    parser.add_argument("--retest", default="", metavar="REASON", help="why a unit is checked again")
    parser.add_argument(
        "--fact",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="for the record of these units, e.g. component_lot=C1-2608, condition=new; repeatable",
    )
    parser.add_argument("--first-fail", action="store_true", help="stop a unit at its first failed reading")
    parser.add_argument("--order", default="", metavar="FILE", help="take rows in this order ('hil coverage --order')")
    parser.add_argument("--image", default="", metavar="FILE", help="firmware image for the programming command")
    parser.add_argument("--json", action="store_true", help="one JSON object a unit on stdout; all else on stderr")
    simulated = parser.add_argument_group("simulated bench only")
    simulated.add_argument("--seed", type=int, metavar="N", help="of everything random on the bench (default 0)")
    simulated.add_argument(
        "--fault", action="append", default=[], metavar="TARGET=EFFECT", help="put a fault into the unit; repeatable"
    )
    simulated.add_argument("--firmware", default="", metavar="ELF", help="run this firmware instead of the model")


def run(options: argparse.Namespace) -> int:
    """Check the units and return the worst exit code."""
    from hil.app.check_order import read_order
    from hil.app.check_unit import Order
    from hil.app.facts import parse_facts
    from hil.real.wallclock import WallClock

    settings = settings_from(options)
    order = Order(
        serials=tuple(options.serials),
        settings=settings,
        now=WallClock().now(),
        only=options.only,
        seed=options.seed,
        faults=tuple(options.fault),
        retest_reason=options.retest,
        facts=parse_facts(options.fact),
        image=options.image,
        firmware=options.firmware,
        stop_at_first_fail=options.first_fail,
        order=read_order(options.order, settings),
    )
    return check_orders([order], as_json=options.json)


def check_orders(orders: Sequence[Any], *, as_json: bool, seen: "Callable[[Run], None]" = lambda run: None) -> int:
    """Check the units of several orders in one warm process; shows them live, prints what came of each.

    Args:
        seen: told of every run that was closed.

    Returns:
        The worst exit code of all units.
    """
    from hil.app.budgets import budgets_of
    from hil.app.check_unit import check_units
    from hil.app.file_maker import files_apart, load_apart
    from hil.app.locate import load_bench
    from hil.cli.run_files import get_ready, make
    from hil.core.judge import worst_exit
    from hil.errors import BenchError, Interrupted
    from hil.render.jsonl import unit_line
    from hil.render.summary import LiveView, print_simulated, print_summary
    from hil.runner import CHECKS, BoardSession

    codes: list[int] = []
    screen = sys.stderr if as_json else sys.stdout
    waiting: deque[Outcome] = deque()  # closed and recorded, their files still being made

    def tell(outcome: "Outcome") -> None:
        files = tuple(map(str, outcome.made()))
        run = (
            replace(outcome.run, closed=replace(outcome.run.closed, files=files)) if outcome.run.closed else outcome.run
        )
        if as_json:
            print(unit_line(run), flush=True)
        if not codes and run.opened.simulated:
            print_simulated(screen)
        print_summary(run, screen)
        if run.verdict == "FAIL":
            from hil.app.outputs import explained
            from hil.render.diagnosis import print_cause

            print_cause(explained(run), screen)
        if outcome.trouble:
            print(f"hil: {outcome.trouble}", file=sys.stderr)
        for warning in outcome.warnings:
            print(f"hil: {run.opened.serial}: {warning}.", file=sys.stderr)
        codes.append(outcome.exit_code)
        seen(run)

    def files(order: "Order", run: "Run", store: "SqliteStore", folder: Path, now: str) -> "Made":
        # Where the settings say; the store itself no longer knows the password of a shared record.
        where, simulated = order.settings.records(simulated=run.opened.simulated), run.opened.simulated
        return files_apart(where, run.opened.run, folder, now, make, simulated=simulated)

    load_apart(get_ready)
    simulated = False
    try:
        for order in orders:
            with BoardSession((CHECKS, *order.settings.checks)) as session:
                for outcome in check_units(
                    order, session, live=LiveView(sys.stderr), budget_for=budgets_of, after=partial(files, order)
                ):
                    waiting.append(outcome)
                    simulated = outcome.run.opened.simulated
                    # Who stands at a bench wants to see a unit before the next one; a simulated bench goes on.
                    while len(waiting) > simulated:
                        tell(waiting.popleft())
                    if outcome.exit_code == 3:
                        break
    except (BenchError, KeyboardInterrupt, Interrupted) as problem:
        simulated = load_bench(order.settings["bench"]).simulated  # trouble may come before the first unit
        if simulated and not codes and not waiting:
            print_simulated(screen)
        if not isinstance(problem, BenchError):
            raise
        print(f"hil: {problem}", file=sys.stderr)
        codes.append(3)
    finally:
        for outcome in waiting:
            tell(outcome)
        if simulated:
            print_simulated(screen)
    return worst_exit(codes)
