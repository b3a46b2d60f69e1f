"""``hil limits``: what has changed in the limits, and their release."""

import argparse
from typing import Any


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "limits",
        help="limits: what changed, in plain words, and their release",
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


def run(options: argparse.Namespace) -> int:
    """Do what was asked; 0."""
    return {"diff": _diff, "release": _release, "releases": _releases}[options.action](options)


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
