"""``hil bench``: readiness of the bench, its control charts, and what to do when a rule has fired."""

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from hil.cli.options import add_settings, settings_from

if TYPE_CHECKING:
    from hil.app.settings import Settings
    from hil.files.bench import BenchFile


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "bench",
        help="readiness of the bench: identify instruments, measure jig and check part",
        description="Identify every instrument, measure the jig empty, open and shorted, and the check parts against "
        "their own history, with the bench's golden unit. 'hil check' refuses a real bench whose readiness is too old, "
        "and any bench whose check standards are out of control.",
        epilog="Exit codes: 0 ready or done, 3 not ready, out of control or in trouble, 4 usage or invalid file.",
    )
    add_settings(parser, "bench", "limits", "out", "records", "operator")
    words = "simulated bench only: put a fault into bench or golden unit; repeatable"
    parser.add_argument("--fault", action="append", default=[], metavar="TARGET=EFFECT", help=words)
    record = parser.add_argument_group("from the record, nothing is measured")
    which = record.add_mutually_exclusive_group()
    which.add_argument("--charts", action="store_true", help="write the control charts as one page, with CSV")
    which.add_argument(
        "--recall", action="store_true", help="the units checked since the last good readiness before the bench was not"
    )
    which.add_argument(
        "--acknowledge", metavar="REASON", help="the cause of what fired is found and gone; the limits stay"
    )
    which.add_argument(
        "--new-baseline", metavar="REASON", help="something was repaired or replaced; the next readings make new limits"
    )
    record.add_argument(
        "--of", action="append", default=[], metavar="VALUE", help="only this charted value; repeatable (default: all)"
    )
    record.add_argument("--json", action="store_true", help="with --recall: one JSON object on stdout")
    record.add_argument("--csv", action="store_true", help="with --recall: CSV on stdout")


def run(options: argparse.Namespace) -> int:
    """Check the bench, or look into its history; 0 when it is ready or all is done."""
    from hil.app.locate import load_bench
    from hil.errors import UsageError

    settings = settings_from(options)
    spec = load_bench(settings["bench"])
    answers = options.acknowledge is not None or options.new_baseline is not None
    for given, option, wanted, needs in (
        (options.json, "--json", options.recall, "--recall"),
        (options.csv, "--csv", options.recall, "--recall"),
        (bool(options.of), "--of", answers, "--acknowledge or --new-baseline"),
    ):
        if given and not wanted:
            raise UsageError(f"{option} goes with {needs}.")
    if options.json and options.csv:
        raise UsageError("--json and --csv: one of them at a time.")
    if options.charts or options.recall or answers:
        return _from_the_record(options, settings, spec)
    return _measure(options, settings, spec)


def _measure(options: argparse.Namespace, settings: "Settings", spec: "BenchFile") -> int:
    from hil.app.bench_control import bench_control
    from hil.app.locate import load_kit_of, load_limits
    from hil.app.open_bench import open_bench, refuse_simulation_options
    from hil.app.readiness import check_bench
    from hil.core.ledger import ReadinessValue
    from hil.files.bench import refuse_overdue
    from hil.real.wallclock import WallClock
    from hil.render.bench import instrument_line, value_line
    from hil.render.summary import print_simulated
    from hil.store.sqlite_store import SqliteStore

    now = WallClock().now()
    if spec.simulated:
        print_simulated(sys.stdout)
    for one in settings.by_name.values():
        print(one)
    limits = load_limits(settings["limits"])
    kit = load_kit_of(spec, today=now[:10])
    refuse_overdue(spec, now[:10])
    refuse_simulation_options(spec, seed=None, faults=options.fault)
    with open_bench(spec, kit, board=limits.board) as bench:
        if bench.simulated and not spec.simulated:  # an instrument says so
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
            control = bench_control(store, spec.bench, spec.jig.golden_unit)
    print(f"control charts: {control.words()}")
    print(f"READY since {entry.time[:16]}" if entry.ready else f"NOT READY: {entry.reason}")
    if control.stops:
        print("'hil bench --charts' shows why, '--recall' lists the units in doubt. Then '--acknowledge REASON'.")
    if entry.simulated:
        print_simulated(sys.stdout)
    return 0 if entry.ready else 3


def _from_the_record(options: argparse.Namespace, settings: "Settings", spec: "BenchFile") -> int:
    from hil.app.bench_control import acknowledge, bench_control, recall
    from hil.app.bench_report import recall_csv, recall_json, write_bench_charts
    from hil.errors import UsageError
    from hil.real.wallclock import WallClock
    from hil.render.bench import control_line, recall_lines
    from hil.render.bench_charts import value_row
    from hil.store.sqlite_store import open_store

    reads_only = options.charts or options.recall
    with open_store(settings.records(simulated=spec.simulated), read_only=reads_only) as store:
        control, now = bench_control(store, spec.bench, spec.jig.golden_unit), WallClock().now()
        if not control.entries:
            raise UsageError(f"bench '{spec.bench}': was never checked with its golden unit. Run 'hil bench' first.")
        if options.charts:
            paths = write_bench_charts(control, recall(store, control), settings.out, now=now[:16].replace("T", " "))
            print(f"{'SIMULATED  ' if control.simulated else ''}bench '{spec.bench}': {control.words()}")
            for one in control.controls:
                print(control_line(value_row(one)))
            for path in paths:
                print(f"  {path}")
        elif options.recall:
            doubtful = recall(store, control)
            if options.json:
                print(json.dumps(recall_json(control, doubtful), ensure_ascii=False))
            elif options.csv:
                sys.stdout.write(recall_csv(doubtful) if doubtful else "")
            else:
                print("\n".join(recall_lines(control, doubtful)))
        else:
            entry = acknowledge(
                store, control, reason=options.acknowledge or options.new_baseline or "", author=settings["operator"],
                now=now, new_baseline=options.new_baseline is not None, names=options.of,
            )  # fmt: skip
            for words in entry.answers:
                print(f"accounted for: {words}")
            what = ", ".join(entry.names) or "all charted values"
            print(f"{what}: {'the next readings make new limits' if entry.new_baseline else 'the limits stay'}.")
            print("Now run 'hil bench'; checks go on when it says READY.")
    return 0
