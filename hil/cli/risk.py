"""``hil risk``: how often a limits file decides wrongly, predicted and counted."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from hil.cli.options import add_settings, settings_from

UNITS = 200_000


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "risk",
        help="how often limits decide wrongly: predicted, and counted in a simulated population",
        description="False acceptance and false rejection of every check and of whole units, for a process: predicted "
        "from limits, rules and budgets, and counted in a population that passes the judge of 'hil check'. "
        "Exit 1 when prediction and count disagree.",
    )
    process = parser.add_mutually_exclusive_group()
    process.add_argument(
        "--process", metavar="FILE", default="", help="process file: what units are like before they are judged"
    )
    process.add_argument("--from-lot", metavar="LOT", default="", help="the process that a recorded lot shows")
    parser.add_argument("--save-process", metavar="FILE", help="write the process of --from-lot there, and stop")
    parser.add_argument("--only", default="", metavar="GLOB", help="only these rows")
    parser.add_argument("--units", type=int, default=UNITS, metavar="N", help=f"units to simulate (default {UNITS})")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="seed of the population (default 0)")
    parser.add_argument("--simulated", action="store_true", help="look into the record of simulated runs")
    parser.add_argument("--plot", metavar="FILE", help="draw predicted against counted there (.png, .pdf, .svg)")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    add_settings(parser, "bench", "limits", "scope", "out", "records", "checks")


def run(options: argparse.Namespace) -> int:
    """Predict, count, compare; 0, or 1 when they disagree."""
    from hil.app.locate import load_process
    from hil.app.risk import lot_process, risks_of
    from hil.cli.planned import expected_of
    from hil.errors import UsageError
    from hil.render.risk_table import as_json, plot_risks, print_risks

    if options.units < 1:
        raise UsageError(f"--units {options.units}: at least one unit is needed.")
    if options.save_process and not options.from_lot:
        raise UsageError("--save-process needs --from-lot LOT, whose process it writes.")
    settings = settings_from(options)
    files, rows = expected_of(settings, only=options.only)
    if options.from_lot:
        text, process = lot_process(options.from_lot, settings, rows, files.limits.board, simulated=options.simulated)
        if options.save_process:
            Path(options.save_process).write_text(text, encoding="utf-8")
            print(f"{options.save_process}: process of lot {options.from_lot}")
            return 0
    else:
        process = load_process(options.process)
    found = risks_of(rows, process, units=options.units, seed=options.seed)
    if options.json:
        print(json.dumps(as_json(found), ensure_ascii=False, allow_nan=False))
    else:
        print_risks(found, sys.stdout)
    if options.plot:
        plot_risks(found, Path(options.plot))
    return 0 if found.agrees else 1
