"""``hil limits``: what has changed in the limits, their release, and which of them can decide anything."""

import argparse
from typing import Any

from hil.cli.options import add_settings, settings_from

COMMON_RATIO = 4.0  # 4:1, as ANSI/NCSL Z540.3 has it where no risk is worked out (from memory)


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "limits",
        help="limits: what changed, in plain words, their release, and their test uncertainty ratios",
        description="A check refuses limits that nobody has released, except for rework with --only.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    diff = actions.add_parser("diff", help="difference between two limits files, or from the latest release")
    diff.add_argument("limits", metavar="LIMITS", help="limits file, or the name of a shipped one")
    diff.add_argument("newer", metavar="NEWER", nargs="?", help="compare LIMITS with this one")
    release = actions.add_parser("release", help="put the limits on the list of releases")
    release.add_argument("limits", metavar="LIMITS", help="limits file, or the name of a shipped one")
    release.add_argument("--by", required=True, metavar="NAME", help="who releases them")
    release.add_argument("--reason", required=True, metavar="TEXT", help="why they were changed")
    listed = actions.add_parser("releases", help="who released which revision")
    listed.add_argument("limits", metavar="LIMITS", help="limits file, or the name of a shipped one")
    ratios = actions.add_parser(
        "ratios", help="limits whose readings are too uncertain, and what would have to improve"
    )
    ratios.add_argument("limits", metavar="LIMITS", nargs="?", help="limits file, or the name of a shipped one")
    ratios.add_argument(
        "--least", type=float, default=COMMON_RATIO, metavar="RATIO", help=f"ratio wanted (default {COMMON_RATIO:g})"
    )
    ratios.add_argument("--all", action="store_true", help="list every limit that has a ratio")
    ratios.add_argument("--json", action="store_true", help="one JSON object a limit")
    add_settings(ratios, "bench", "scope", "checks")


def run(options: argparse.Namespace) -> int:
    """Do what was asked; 0."""
    return {"diff": _diff, "release": _release, "releases": _releases, "ratios": _ratios}[options.action](options)


def _ratios(options: argparse.Namespace) -> int:
    import json
    import sys

    from hil.app.expected import weak_limits
    from hil.cli.planned import expected_of
    from hil.errors import UsageError
    from hil.render.ratio_table import as_json, print_ratios

    if not options.least > 0:
        raise UsageError(f"--least {options.least:g}: a ratio is more than zero, for example 4.")
    _, rows = expected_of(settings_from(options))
    listed = weak_limits(rows, float("inf") if options.all else options.least)
    if options.json:
        for row in listed:
            print(json.dumps(as_json(row, options.least), ensure_ascii=False, allow_nan=False))
    else:
        print_ratios(listed, rows, options.least, sys.stdout)
    return 0


def _diff(options: argparse.Namespace) -> int:
    from hil.app.limits_release import changes_since_release
    from hil.app.locate import load_limits
    from hil.core.limits_diff import difference

    if options.newer is not None:
        changes = difference(load_limits(options.limits), load_limits(options.newer))
    else:
        latest, changes = changes_since_release(options.limits)
        print(f"since revision {latest.revision}, {latest.by}, {latest.date}:" if latest else "never released")
        if latest is None:
            return 0
    for change in changes:
        print(f"  {change}")
    if not changes:
        print("  nothing that matters has changed")
    return 0


def _release(options: argparse.Namespace) -> int:
    from hil.app.limits_release import release
    from hil.real.wallclock import WallClock

    entry = release(options.limits, by=options.by, reason=options.reason, today=WallClock().now()[:10])
    print(f"{entry.board} limits, revision {entry.revision}, released by {entry.by} on {entry.date}")
    for words in entry.difference:
        print(f"  {words}")
    return 0


def _releases(options: argparse.Namespace) -> int:
    from hil.app.limits_release import find_release, released
    from hil.app.locate import load_limits, locate

    releases = released(locate("limits", options.limits))
    limits = load_limits(options.limits)
    present = find_release(limits, releases)
    for entry in releases:
        mark = "  <- this file" if entry == present else ""
        print(f"{entry.date}  {entry.board} {entry.revision}  {entry.by}: {entry.reason}{mark}")
    if present is None:
        print(f"{limits.file}, revision {limits.revision}: not released")
    return 0
