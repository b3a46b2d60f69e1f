"""``hil study``: how much of the spread is the bench's own."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hil.cli.options import add_settings, settings_from

if TYPE_CHECKING:
    from hil.core.study import StudyPlan, Turn

_SETTINGS = ("bench", "limits", "scope", "out", "records", "checks")


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "study",
        help="how much of the spread is the bench's own: plan, run and evaluate a study; compare benches",
        description="Repeatability and reproducibility of the bench: several units, people or fittings, repeats.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    def action(name: str, words: str, more: str = "") -> argparse.ArgumentParser:
        sub: argparse.ArgumentParser = actions.add_parser(
            name, help=words, description=f"{words[0].upper()}{words[1:]}. {more}"
        )
        return sub

    plan = action(
        "plan",
        "draw the order of a study and keep it",
        "Prints the codes to put on the units; operators see these codes and no serial number.",
    )
    plan.add_argument("name", metavar="NAME")
    plan.add_argument("--units", required=True, metavar="A,B,…", help="serial numbers")
    plan.add_argument("--operators", default="", metavar="A,B,…", help="people who each measure every unit")
    plan.add_argument("--nested", action="store_true", help="each of them measures units of his own instead")
    plan.add_argument(
        "--fittings", type=int, default=0, metavar="N", help="instead of people: put each unit in N times"
    )
    plan.add_argument("--repeats", type=int, default=3, metavar="N", help="readings of each (default 3)")
    plan.add_argument("--only", action="append", default=[], metavar="GLOB", help="only these checks; repeatable")
    plan.add_argument("--seed", type=int, metavar="N", help="of the order, and of the simulated bench (default: drawn)")
    plan.add_argument(
        "--fault", action="append", default=[], metavar="TARGET=EFFECT", help="simulated bench only; repeatable"
    )
    add_settings(plan, *_SETTINGS)
    run_ = action("run", "measure what is missing of a study", "Stop it with Ctrl-C; the same command goes on with it.")
    run_.add_argument("name", metavar="NAME")
    add_settings(run_, *_SETTINGS)
    evaluate = action("evaluate", "components of variance, shares, bias, and a verdict for each check")
    evaluate.add_argument("name", metavar="NAME")
    evaluate.add_argument("--confidence", type=float, default=95.0, metavar="PERCENT", help="of intervals (default 95)")
    evaluate.add_argument("--plot", metavar="FILE", help="one page of plots: .png, .svg or .pdf")
    evaluate.add_argument("--json", action="store_true", help="one JSON object on stdout; all else on stderr")
    add_settings(evaluate, "out", "records")
    evaluate.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    benches = action(
        "benches",
        "whether benches agree on the same units, who is off and by how much",
        "Check the units on each bench and bring the records together with 'hil records merge' first.",
    )
    benches.add_argument("benches", nargs="*", metavar="BENCH", help="names of benches (default: all in the record)")
    benches.add_argument("--units", default="", metavar="A,B,…", help="only these serial numbers")
    benches.add_argument("--all", action="store_true", help="list every check, not only what is worth a look")
    benches.add_argument("--json", action="store_true", help="one JSON object on stdout; all else on stderr")
    add_settings(benches, "limits", "scope", "out", "records")
    benches.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")


def run(options: argparse.Namespace) -> int:
    """Do what was asked; 0, or the worst exit code of the runs."""
    does = {"plan": _plan, "run": _run, "evaluate": _evaluate, "benches": _benches}
    return does[options.action](options)


def _names(text: str) -> tuple[str, ...]:
    return tuple(name for piece in text.split(",") if (name := piece.strip()))


def _plan(options: argparse.Namespace) -> int:
    from hil.app.study import Wish, plan_study
    from hil.real.wallclock import WallClock
    from hil.render.study import described
    from hil.runner import CHECKS, plan_unit

    settings = settings_from(options)
    wish = Wish(
        name=options.name,
        settings=settings,
        now=WallClock().now(),
        units=_names(options.units),
        operators=_names(options.operators),
        fittings=options.fittings,
        repeats=options.repeats,
        nested=options.nested,
        only=tuple(options.only),
        seed=options.seed,
        faults=tuple(options.fault),
    )
    plan = plan_study(wish, lambda unit_run: plan_unit(unit_run, (CHECKS, *settings.checks)))
    print(described(plan) + ("  SIMULATED" if plan.simulated else ""))
    print("Put these codes on the units, and keep the list from whoever measures:")
    for serial in plan.units:
        print(f"  {next(turn.code for turn in plan.turns if turn.serial == serial)}  {serial}")
    also = len(plan.needed) - len(plan.rows)
    print(f"{len(plan.turns)} runs of {len(plan.rows)} checks" + (f" and {also} that come before them" if also else ""))
    print(f"hil study run {plan.name}")
    return 0


def _run(options: argparse.Namespace) -> int:
    from hil.app.check_files import read_files
    from hil.app.study import is_other_unit, load_plan, run_study
    from hil.errors import UsageError
    from hil.real.operator import TerminalOperator
    from hil.real.wallclock import WallClock
    from hil.runner import CHECKS, BoardSession
    from hil.store.sqlite_store import open_store

    settings, now = settings_from(options), WallClock().now()
    files = read_files(settings, today=now[:10])
    where = settings.records(simulated=files.bench.simulated)
    if "://" not in where and not Path(where).is_file():
        raise UsageError(f"{where}: no record there. Plan a study first, with 'hil study plan', or name the --out.")
    with open_store(where) as store:
        plan = load_plan(store, options.name)
    modules = _modules(plan, settings.checks, files)

    def told(plan: "StudyPlan", turn: "Turn", done: int) -> None:
        who = f", {turn.operator}" if turn.operator else ""
        print(f"{done + 1} of {len(plan.turns)}: round {turn.round}{who}, code {turn.code}", file=sys.stderr)

    def ready(turn: "Turn") -> bool:
        return plan.simulated or TerminalOperator().confirm(f"The next one is {turn.operator}. At the bench?")

    whole, worst = 0, 0
    with BoardSession(modules or (CHECKS, *settings.checks)) as session:
        for turn, outcome in run_study(plan, settings, session, now=now, told=told, ready=ready):
            if outcome.trouble:
                print(f"hil: {turn.code}: {outcome.trouble}", file=sys.stderr)
            if is_other_unit(outcome.run):
                other = "another unit is in the jig. Look at the codes; it is taken again."
                print(f"hil: {turn.code}: {other}", file=sys.stderr)
            worst = max(worst, outcome.exit_code if outcome.exit_code >= 3 else 0)
            whole += 1
    with open_store(where, read_only=True) as store:
        return _remaining(plan, store, whole) or worst


def _modules(plan: "StudyPlan", folders: tuple[Path, ...], files: Any) -> tuple[Path, ...]:
    """The files with the checks of a study: collecting all others takes longer than a short study's measuring."""
    from hil.app.check_files import unit_run_of
    from hil.runner import CHECKS, plan_unit

    rows = plan_unit(unit_run_of(files), (CHECKS, *folders)).rows
    names = {row.check.partition("::")[0] for row in rows if row.name in set(plan.needed)}
    return tuple(path for folder in (CHECKS, *folders) for path in sorted(folder.rglob("*.py")) if path.name in names)


def _remaining(plan: "StudyPlan", store: Any, taken: int) -> int:
    """Say what is still missing; 2 when something is."""
    from hil.app.study import missing_turns, runs_of

    missing = missing_turns(plan, runs_of(plan, store))
    print(f"{taken} runs taken, {len(missing)} of {len(plan.turns)} missing", file=sys.stderr)
    if not missing:
        print(f"hil study evaluate {plan.name}", file=sys.stderr)
        return 0
    print(f"hil study run {plan.name} takes them again.", file=sys.stderr)
    return 2


def _evaluate(options: argparse.Namespace) -> int:
    from hil.app.records_at import existing_record
    from hil.app.study import evaluate_study
    from hil.app.whole_file import write_whole
    from hil.errors import UsageError
    from hil.render.study import plot, print_study, study_json
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    file_format = Path(options.plot).suffix[1:].lower() if options.plot else ""
    if options.plot and file_format not in ("svg", "png", "pdf"):
        raise UsageError(f"--plot {options.plot}: the name must end with .svg, .png or .pdf.")
    if not 50 <= options.confidence < 100:
        raise UsageError(f"--confidence {options.confidence:g}: choose 50 or more and less than 100, in percent.")
    where = existing_record(settings, simulated=options.simulated)
    with open_store(where, read_only=True) as store:
        plan, result = evaluate_study(options.name, store, confidence=options.confidence / 100)
    if options.json:
        print(json.dumps(study_json(result, plan), ensure_ascii=False, allow_nan=False))
    print_study(result, plan, sys.stderr if options.json else sys.stdout)
    if options.plot:
        write_whole(Path(options.plot), plot(result, plan, file_format=file_format))
        print(f"  {options.plot}", file=sys.stderr if options.json else sys.stdout)
    return 0


def _benches(options: argparse.Namespace) -> int:
    from hil.app.benches import agreement_of, who_moved
    from hil.app.records_at import existing_record
    from hil.real.wallclock import WallClock
    from hil.render.benches import agreement_json, print_agreement
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = existing_record(settings, simulated=options.simulated)
    with open_store(where, read_only=True) as store:
        simulated = store.kind() == "simulated"
        agreement, reworked = agreement_of(
            options.benches, store, settings, now=WallClock().now(), units=_names(options.units)
        )
        moved = who_moved(agreement, store)
    if options.json:
        found = agreement_json(agreement, simulated=simulated, who_moved=moved)
        print(json.dumps(found, ensure_ascii=False, allow_nan=False))
    stream = sys.stderr if options.json else sys.stdout
    print_agreement(agreement, stream, simulated=simulated, who_moved=moved, every=options.all)
    if reworked:
        print(f"left out, because they were reworked: {', '.join(reworked)}", file=sys.stderr)
    return 0
