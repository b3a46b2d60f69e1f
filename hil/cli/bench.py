"""``hil bench``: readiness of the bench."""

import argparse
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "bench",
        help="readiness of the bench: identify instruments, measure jig and check part",
        description="Identify every instrument, measure the jig empty, open and shorted, and the check parts against "
        "their own history, with the bench's golden unit. 'hil check' refuses a real bench whose readiness is too old.",
        epilog="Exit codes: 0 ready, 3 not ready or in trouble, 4 usage or invalid file.",
    )
    add_settings(parser, "bench", "limits", "out", "records", "operator")
    words = "simulated bench only: put a fault into bench or golden unit; repeatable"
    parser.add_argument("--fault", action="append", default=[], metavar="TARGET=EFFECT", help=words)


def run(options: argparse.Namespace) -> int:
    """Check the bench; 0 when it is ready."""
    import sys

    from hil.app.locate import load_bench, load_kit, load_limits
    from hil.app.open_bench import open_bench, refuse_simulation_options
    from hil.app.readiness import check_bench
    from hil.core.ledger import ReadinessValue
    from hil.files.bench import refuse_overdue
    from hil.real.wallclock import WallClock
    from hil.render.bench import instrument_line, value_line
    from hil.render.summary import print_simulated
    from hil.store.sqlite_store import SqliteStore

    settings, now = settings_from(options), WallClock().now()
    for one in settings.by_name.values():
        print(one)
    spec, limits = load_bench(settings["bench"]), load_limits(settings["limits"])
    kit = load_kit(spec.kit, today=now[:10])
    refuse_overdue(spec, now[:10])
    refuse_simulation_options(spec, seed=None, faults=options.fault)
    with open_bench(spec, kit, board=limits.board) as bench:
        if bench.simulated:
            print_simulated(sys.stdout)
        print(f"bench '{spec.bench}' ({spec.file}), readiness counts for {spec.readiness_hours:g} h")
        for instrument in bench.identities:
            print(instrument_line(instrument))

        def seen(value: ReadinessValue) -> None:
            print(value_line(value), flush=True)

        with SqliteStore(settings.records(simulated=bench.simulated)) as store:
            entry = check_bench(
                spec, kit, bench, store, now=now, author=settings["operator"], seen=seen, faults=options.fault
            )
    print(f"READY since {entry.time[:16]}" if entry.ready else f"NOT READY: {entry.reason}")
    if entry.simulated:
        print_simulated(sys.stdout)
    return 0 if entry.ready else 3
