"""``hil compare``: what a firmware change moved, by how much, and whether it matters."""

import argparse
import json
import sys
from enum import IntEnum
from pathlib import Path
from typing import Any

from hil.cli.options import add_settings, settings_from

_SIDES = """\
A side is FILE.elf (run on simulated units), FOLDER (where make builds one), model (the device model), version:V,
image:SHA256 or lot:L (recorded runs), or the NAME of a baseline kept with --keep."""


class Exit(IntEnum):
    """Exit codes, made for ``git bisect run``."""

    SAME = 0
    CHANGED = 1
    CANNOT_TELL = 125
    TROUBLE = 128


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "compare",
        help="what a firmware change moved, by how much, and whether it matters",
        description=f"Compare the readings of two firmwares on the same units. {_SIDES}",
        epilog="A reading may move by the margin of its row in the limits file, else by a tenth of half the tolerance. "
        "Exit codes: 0 same, 1 changed, 125 cannot tell or could not build, 128 bench trouble or usage.",
    )
    parser.add_argument("baseline", nargs="?", metavar="BASELINE", help="what it was")
    parser.add_argument("candidate", nargs="?", metavar="CANDIDATE", help="what it has become")
    parser.add_argument("--keep", metavar="NAME", help="keep the baseline under a name; a candidate is not needed then")
    parser.add_argument("--baselines", action="store_true", help="list the baselines kept")
    parser.add_argument("--units", type=int, metavar="N", help="how many simulated units run an ELF (default 5)")
    parser.add_argument("--serials", metavar="A,B", help="which units, instead of --units")
    parser.add_argument("--repeats", type=int, metavar="R", help="runs a unit (default 2)")
    parser.add_argument("--seed", type=int, metavar="N", help="of the simulated bench (default 0, or the baseline's)")
    parser.add_argument("--jobs", type=int, metavar="N", help="runs at once (default: one a core)")
    parser.add_argument("--all", action="store_true", help="list every reading, not only what is worth a look")
    parser.add_argument("--plot", metavar="FILE", help="shifts in units of the margin: .svg, .png or .pdf")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout; all else on stderr")
    add_settings(parser, "bench", "limits", "out", "records", "scope")


def run(options: argparse.Namespace) -> int:
    """Compare and print; see `Exit`."""
    from hil.errors import HilError

    try:
        return _run(options)
    except HilError as problem:
        print(f"hil: {problem}", file=sys.stderr)
        from hil.app.compare_firmware import CannotBuild

        return Exit.CANNOT_TELL if isinstance(problem, CannotBuild) else Exit.TROUBLE
    except KeyboardInterrupt:
        print("hil: interrupted.", file=sys.stderr)
        return Exit.TROUBLE
    except Exception:  # git bisect must stop then, not go on with a wrong answer
        import traceback

        traceback.print_exc()
        return Exit.TROUBLE


def _run(options: argparse.Namespace) -> int:
    from hil.app.compare_firmware import (
        Wish,
        baselines_told,
        demo_serials,
        free_baseline,
        keep_baseline,
        take_sides,
    )
    from hil.app.whole_file import write_whole
    from hil.core.baseline import compare_sets
    from hil.errors import UsageError
    from hil.real.wallclock import WallClock
    from hil.render.comparison import comparison_json, plot, print_comparison
    from hil.runner import run_unit

    settings = settings_from(options)
    if options.baselines:
        print("\n".join(baselines_told(settings)) or "no baselines are kept")
        return Exit.SAME
    names = [name for name in (options.baseline, options.candidate) if name]
    if not names or (len(names) == 1 and not options.keep):
        raise UsageError("compare what with what? Give BASELINE and CANDIDATE, or one of them and --keep NAME.")
    for name, count in (("units", options.units), ("repeats", options.repeats), ("jobs", options.jobs)):
        if count is not None and count < 1:
            raise UsageError(f"--{name}: must be at least 1, not {count}.")
    file_format = Path(options.plot).suffix[1:].lower() if options.plot else ""
    if options.plot and file_format not in ("svg", "png", "pdf"):
        raise UsageError(f"--plot {options.plot}: the name must end with .svg, .png or .pdf.")
    if options.keep:
        free_baseline(settings, options.keep)
    serials = tuple(filter(None, options.serials.split(","))) if options.serials else None
    wish = Wish(
        settings=settings,
        now=WallClock().now(),
        serials=serials or (demo_serials(options.units) if options.units else None),
        repeats=options.repeats,
        seed=options.seed,
        jobs=options.jobs,
    )
    sides = take_sides(names, wish, run_unit)
    screen = sys.stderr if options.json else sys.stdout
    if options.keep:
        print(f"kept as '{options.keep}': {keep_baseline(settings, options.keep, sides[0])}", file=screen)
    if len(sides) == 1:
        return Exit.SAME
    baseline, candidate = sides
    comparison = compare_sets(baseline, candidate)
    if options.json:
        print(json.dumps(comparison_json(comparison, baseline, candidate)))
    print_comparison(comparison, baseline, candidate, screen, every=options.all)
    if options.plot:
        write_whole(Path(options.plot), plot(comparison, file_format=file_format))
    return Exit[comparison.finding.name]
