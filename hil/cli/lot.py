"""``hil lot``: yields, failures, capability, drift of a lot."""

import argparse
import gc
import json
from typing import TYPE_CHECKING, Any

from hil.cli.options import add_settings, settings_from

if TYPE_CHECKING:
    from hil.core.sampling import SamplingPlan


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "lot",
        help="figures of a lot: yield, failures, capability, drift; one page, CSV and JSON",
        description="Write the report of a lot as one self-contained HTML page, with CSV and JSON beside it.",
    )
    parser.add_argument("lot", metavar="NAME", help="name of the lot, as given to 'hil check --lot'")
    add_settings(parser, "out", "records")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    parser.add_argument("--sample", type=float, metavar="AQL", help="also the sampling plan for this limit, in percent")
    words = "also write every reading of every unit as CSV for lots of more than 2000 units"
    parser.add_argument("--readings", action="store_true", help=words)
    parser.add_argument("--json", action="store_true", help="the figures as one JSON object on stdout")


def run(options: argparse.Namespace) -> int:
    """Write the report; 0."""
    gc.disable()  # nothing here is thrown away before the end, and looking for it would take a fifth of the time
    try:
        return _run(options)
    finally:
        gc.enable()


def _run(options: argparse.Namespace) -> int:
    from hil.app.lot import figures_of, report_json, write_lot_report
    from hil.app.lot_notes import counted, named
    from hil.app.records_at import existing_record
    from hil.real.wallclock import WallClock
    from hil.render.lot_page import findings
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    where = existing_record(settings, simulated=options.simulated)
    store = open_store(where, read_only=True)
    try:
        figures = figures_of(options.lot, store)
    finally:
        store.close()
    plans = [] if options.sample is None else _plans(figures.units, options.sample)
    now = WallClock().now()[:16].replace("T", " ")
    with_units = True if options.readings else None
    paths = write_lot_report(figures, settings.out, now=now, plans=plans, with_units=with_units)
    if options.json:
        print(json.dumps(report_json(figures, plans), ensure_ascii=False, allow_nan=False))
        return 0
    mark = "SIMULATED  " if figures.simulated else ""
    first, final = figures.first_pass, figures.final
    runs = counted(figures.runs, "run", "runs")
    print(f"{mark}lot {figures.lot}: {counted(figures.units, 'unit', 'units')}, {runs}")
    if first.total:
        print(f"  first pass {first.count} of {first.total}, 95 %: {first.lower:.1%} to {first.upper:.1%}")
        print(f"  final      {final.count} of {final.total}, 95 %: {final.lower:.1%} to {final.upper:.1%}")
    for words in figures.notes:
        print(f"  note: {words}")
    if figures.moved:
        where = named([f"{serial} in {other}" for serial, other in figures.moved])
        print(f"  note: also in another lot, of which no run counts here: {where}")
    for one in findings(figures):
        print(f"  - {one.words}")
    for words, plan in plans:
        print(f"  {words}: check {plan.n} units, accept up to {plan.accept} nonconforming, reject at {plan.reject}")
    for path in paths:
        print(f"  {path}")
    return 0


def _plans(units: int, aql_percent: float) -> list[tuple[str, "SamplingPlan"]]:
    from hil.app.sampling_tables import load_sampling_tables
    from hil.errors import UsageError

    try:
        return [
            (f"AQL {aql_percent:g} %, {severity}", load_sampling_tables(severity).plan(units, aql_percent))
            for severity in ("normal", "tightened")
        ]
    except ValueError as problem:
        raise UsageError(f"--sample {aql_percent:g}: {problem}.") from None
