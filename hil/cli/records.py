"""``hil records``: the record itself."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hil.cli.options import add_settings, settings_from

if TYPE_CHECKING:
    from hil.store.transfer import Merged


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "records",
        help="the record itself: check, backup, export, import, merge, retention, upgrade",
        description="Keep the record of runs in order. Every action leaves what is recorded as it was.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    def action(name: str, words: str) -> argparse.ArgumentParser:
        sub: argparse.ArgumentParser = actions.add_parser(name, help=words, description=words[0].upper() + words[1:])
        sub.add_argument("--simulated", action="store_true", help="the record of simulated runs")
        add_settings(sub, "out", "records")
        return sub

    action("check", "find and explain inconsistencies; 0 when there are no errors, else 3")
    action("backup", "copy the record while checks go on").add_argument("target", metavar="FILE")
    action("export", "write everything as JSON Lines").add_argument("target", metavar="FILE")
    action("import", "bring an export in, each run once").add_argument("source", metavar="FILE")
    action("merge", "bring another bench's record in, each run once").add_argument("source", metavar="RECORD")
    action("upgrade", "bring an older record to today's shape")
    retire = action("retire", "move old runs into an archive file")
    retire.add_argument("--before", required=True, metavar="DATE", help="runs opened before this date")
    retire.add_argument("--archive", required=True, metavar="FILE", help="new file for them")
    retire.add_argument("--by", required=True, metavar="NAME", help="who moves them")
    retire.add_argument("--reason", required=True, metavar="TEXT", help="why they may leave the record")


def run(options: argparse.Namespace) -> int:
    """Do what was asked; 0, or 3 when the check finds errors."""
    from hil.app import records
    from hil.app.records_at import existing_record
    from hil.real.wallclock import WallClock
    from hil.store.sqlite_store import open_store

    settings = settings_from(options)
    if options.simulated or options.action in ("import", "merge"):  # these two may begin a record
        where = settings.records(simulated=options.simulated)
    else:
        where = existing_record(settings)
    now = WallClock().now()
    if options.action == "upgrade":
        steps = records.upgrade(where, now=now)
        print(f"{where}: {'brought to today: ' + ', '.join(steps) if steps else 'has the shape of today'}")
        return 0
    if options.action == "backup":
        records.backup(where, Path(options.target))
        print(f"{options.target}: a sound copy of {where}")
        return 0
    if options.action in ("import", "merge"):
        is_export = options.action == "import"
        records.refuse_other_kind(options.source, is_export=is_export, simulated=options.simulated)
    reads_only = options.action in ("check", "export")
    with open_store(where, read_only=reads_only) as store:
        if options.action == "check":
            return _check(records.examine(store), where)
        if options.action == "export":
            records.export(store, Path(options.target), now=now)
            print(f"{options.target}: everything in {where}")
        elif options.action == "import":
            _tell(records.import_export(store, Path(options.source)), options.source, where)
        elif options.action == "merge":
            _tell(records.merge_record(store, options.source), options.source, where)
        else:
            moved = records.retire(
                store, before=options.before, archive=Path(options.archive), by=options.by, reason=options.reason,
                now=now,
            )  # fmt: skip
            print(
                f"{_runs(len(moved))} moved to {options.archive}" if moved else "no run is that old; nothing was moved"
            )
    return 0


def _runs(count: int, kind: str = "") -> str:
    return f"{count} {kind}run{'' if count == 1 else 's'}"


def _check(findings: Any, where: str) -> int:
    counts = {"error": 0, "warning": 0, "note": 0}
    for finding in findings:
        counts[finding.severity] += 1
        print(finding)
    told = ", ".join(f"{count} {name}{'' if count == 1 else 's'}" for name, count in counts.items())
    print(f"{where}: {told}")
    return 3 if counts["error"] else 0


def _tell(merged: "Merged", source: str, where: str) -> None:
    print(f"{source} -> {where}: {_runs(len(merged.added), 'new ')}, {len(merged.completed)} completed,", end=" ")
    print(f"{len(merged.known)} known already, {len(merged.retired)} archived before, {merged.entries} new entries")
    if merged.shared_units:
        print(f"units with runs from both: {', '.join(merged.shared_units)}")
