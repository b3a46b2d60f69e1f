"""``hil diagnose``: which fault explains a failing run, and where to probe next."""

import argparse
import json
import sys
from typing import Any

from hil.cli.options import add_settings, settings_from
from hil.errors import UsageError

LEARNED_AT = "2026-11-25T05:00:00.000+00:00"  # the time of all trials: a dictionary depends on nothing but its inputs


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "diagnose",
        help="which fault explains a failing run, and where to probe next",
        description="Rank the causes of a failing run by all of its readings. Enter what was probed since with "
        "--probe; what was entered before counts too.",
    )
    parser.add_argument(
        "run", nargs="?", default="", metavar="RUN", help="a run, the beginning of one, or a serial number (its latest)"
    )
    parser.add_argument(
        "--probe", action="append", default=[], metavar="POINT=VALUE",
        help="what was measured since: 'U3.4=4.99 V' (on, 7.4 V), 'R5=1 kohm' (at its legs, power off; 'inf ohm' is "
        "over range); repeatable",
    )  # fmt: skip
    parser.add_argument("--forget", action="store_true", help="forget what was probed before")
    parser.add_argument("--json", action="store_true", help="as one JSON object")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    learning = parser.add_argument_group("learning the fault dictionary of a board, on the simulated bench (long)")
    learning.add_argument(
        "--learn",
        default="",
        metavar="FILE",
        help="make the dictionary FILE (.npz) anew; interrupted, it goes on later",
    )
    learning.add_argument(
        "--trials", action="append", default=[], metavar="FILE",
        help="table of trials that it rests on; the first one is filled (default: FILE.sqlite)",
    )  # fmt: skip
    learning.add_argument("--units", type=int, default=6, metavar="N", help="units with each fault (default 6)")
    learning.add_argument("--jobs", type=int, default=2, metavar="N", help="processes (default 2)")
    add_settings(parser, "out", "records", "operator", "limits")


def run(options: argparse.Namespace) -> int:
    """Print the diagnosis and write it to the record, or learn the dictionary; 0."""
    if options.learn:
        return _learn(options)
    if not options.run:
        raise UsageError("Which run? 'hil diagnose RUN'; 'hil show' lists the latest ones.")
    return _diagnose(options)


def _learn(options: argparse.Namespace) -> int:
    from contextlib import ExitStack
    from pathlib import Path

    from hil.app.dictionary_file import packed, state_of
    from hil.app.learn_faults import board_of, learned, learning_trials, try_all
    from hil.runner import BoardSession
    from hil.store.trials import TrialTable

    settings = settings_from(options)
    limits, netlist, possible = board_of(settings["limits"])
    trials = learning_trials(possible, netlist, units=options.units)
    where = [*options.trials, f"{options.learn}.sqlite"][:1] + options.trials[1:]
    with ExitStack() as stack:
        key = state_of(limits.board, settings["limits"])
        first = stack.enter_context(TrialTable(where[0], key=key))
        others = [stack.enter_context(TrialTable(one, read_only=True)) for one in where[1:]]
        todo = len(trials) - len(first.made() & set(trials))
        for count, one in enumerate(
            try_all(first, trials, settings, netlist, BoardSession, now=LEARNED_AT, jobs=options.jobs), start=1
        ):
            print(f"{count} of {todo}  {one.trial.made or 'without a fault'}: {one.verdict}", file=sys.stderr)
        dictionary = learned([first, *others], possible, netlist, limits, settings["limits"])
    Path(options.learn).write_bytes(packed(dictionary))
    print(
        f"{options.learn}: {len(dictionary.faults)} faults in {int(dictionary.groups.max()) + 1} groups, "
        f"sharpness {dictionary.sharpness:g}"
    )
    return 0


def _diagnose(options: argparse.Namespace) -> int:
    from hil.app.diagnose import as_json, diagnose_recorded
    from hil.app.records_at import existing_record
    from hil.real.wallclock import WallClock
    from hil.render.diagnosis import print_diagnosis
    from hil.render.summary import print_simulated
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = existing_record(settings, simulated=options.simulated)
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
