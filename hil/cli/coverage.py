"""``hil coverage``: what the checks catch of what may go wrong in assembly."""

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hil.cli.options import add_settings, settings_from

if TYPE_CHECKING:
    from hil.app.check_files import Files
    from hil.core.plan import Plan


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "coverage",
        help="what the checks catch of what may go wrong in assembly; simulated bench only",
        description="Run the checks as they are on simulated units with one fault each, and say which faults are "
        "caught, by which rows, which are not and why, and in which order rows find a fault soonest. What was done is "
        "kept in OUT: a call that was interrupted, or one for more units, goes on from there.",
    )
    parser.add_argument("--units", type=int, default=3, metavar="N", help="units with each fault (default 3)")
    parser.add_argument("--good", type=int, default=100, metavar="N", help="units without a fault (default 100)")
    parser.add_argument("--class", action="append", default=[], dest="classes", metavar="NAME", help="only this class")
    parser.add_argument("--component", action="append", default=[], metavar="R5", help="only faults of this component")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N", help="processes (default: all)")
    parser.add_argument("--no-run", action="store_true", help="try nothing; report what was tried before")
    parser.add_argument("--no-look", action="store_true", help="do not ask the circuit model what could be seen")
    parser.add_argument(
        "--loss", type=float, default=1.0, metavar="PERCENT", help="most that leaving rows out may lose"
    )
    parser.add_argument("--order", metavar="FILE", help="write the order that finds a fault soonest there")
    parser.add_argument("--picture", metavar="FILE", help="draw the schematic there (.png, .svg, .pdf)")
    parser.add_argument("--csv", metavar="FOLDER", help="write tables there")
    parser.add_argument("--all", action="store_true", help="list everything, not only the first ones")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout; all else on stderr")
    add_settings(parser, "bench", "limits", "scope", "out", "checks")


def run(options: argparse.Namespace) -> int:
    """Try what is missing, report; 0."""
    from hil.app.coverage import Work, fill, trials_of
    from hil.app.coverage_report import refuse_places, report, write_files
    from hil.app.coverage_subject import look, subject
    from hil.cli.progress import Progress
    from hil.core.coverage import GOOD
    from hil.errors import UsageError
    from hil.real.wallclock import WallClock
    from hil.render.coverage_data import as_json
    from hil.render.coverage_table import print_coverage
    from hil.runner import CHECKS, BoardSession
    from hil.store.trials import TrialTable

    for name in ("units", "jobs"):
        if getattr(options, name) < 1:
            raise UsageError(f"--{name} {getattr(options, name)}: must be at least 1.")
    if options.good < 0 or not options.loss >= 0:
        raise UsageError("--good and --loss must not be negative.")
    places: dict[str, Any] = {
        "picture": Path(options.picture) if options.picture else None,
        "tables": options.csv,
        "order": options.order,
    }
    refuse_places(**places)
    settings, now = settings_from(options), WallClock().now()
    checks = (CHECKS, *settings.checks)
    about = subject(
        settings, lambda files: _plan(files, checks), checks,
        today=now[:10], classes=options.classes, components=options.component,
    )  # fmt: skip
    trials = trials_of(about.selected, about.netlist, units=options.units, good=options.good)
    progress = Progress(sys.stderr)
    with TrialTable(str(about.table), key=about.key) as table:
        made = table.made()
        there = sum(trial in made for trial in trials)
        progress.say(f"{about.table}: {there} of {len(trials)} units were tried before with these limits and checks.")
        if not options.no_run:
            work = Work(settings=settings, files=about.files, open_session=BoardSession, now=now)
            missed = 0
            progress.begin(len(trials) - there)
            for one in fill(table, trials, work, jobs=options.jobs):
                missed += one.trial.fault != GOOD and not one.is_caught
                progress.step("units tried", f"{missed} not caught")
        if not options.no_look:
            for what, done, count in look(about, table, frozenset(trials), jobs=options.jobs):
                progress.at(what, done, count)
        progress.end()
        found = report(about, table, trials, most_loss=options.loss / 100)
    screen = sys.stderr if options.json else sys.stdout
    print("SIMULATED: what follows is about simulated units.", file=screen)
    print_coverage(found, screen, everything=options.all)
    for path in write_files(found, about, **places):
        print(f"  {path}", file=screen)
    if options.json:
        print(json.dumps(as_json(found, about.key), ensure_ascii=False, allow_nan=False))
    return 0


def _plan(files: "Files", checks: tuple[Path, ...]) -> "Plan":
    from hil.app.check_files import unit_run_of
    from hil.runner import plan_unit

    return plan_unit(unit_run_of(files), checks)
