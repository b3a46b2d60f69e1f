"""The data files of a check, read and held against each other, and what they refuse before anything is touched."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from hil.app.locate import load_bench, load_kit_of, load_limits
from hil.app.open_bench import roles_of
from hil.app.settings import Settings
from hil.app.unit_run import UnitRun
from hil.core.drift import drift_of
from hil.core.equipment import Kit, Part
from hil.core.limit import Limit, Limits
from hil.core.plan import Plan
from hil.errors import UsageError
from hil.files.bench import BenchFile, refuse_overdue, uncertainty_of
from hil.files.limits import check_parts, check_temperatures, check_wiring
from hil.wire.meter import SERIAL_NUMBER

_FOLDER = re.compile(r"[^\W_][\w.-]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Files:
    """The data files of a check, read and put together."""

    limits: Limits
    kit: Kit
    bench: BenchFile
    rows: tuple[Limit, ...]  # of the scope, resolved against the kit
    scope: str
    only: str = ""  # patterns of the rows that are asked for; which others these come after, the checks know

    @property
    def outside_scope(self) -> tuple[str, ...]:
        """Names of the limits that the scope leaves out."""
        return self.limits.outside(self.scope)


def read_files(settings: Settings, *, today: str, only: str = "") -> Files:
    """Read limits, bench and kit and make sure that they fit each other.

    Args:
        only: patterns of rows; the files need be in order for these alone, until it is known what they come after.

    Raises:
        UsageError: something is wrong in one of them, or a reference part is overdue, damaged or missing.
    """
    limits, bench = load_limits(settings["limits"]), load_bench(settings["bench"])
    kit = load_kit_of(bench, today=today)
    check_parts(limits, kit)
    jig, _ = uncertainty_of(bench)
    check_temperatures(limits, kit, unknown_within_k=None if "thermometer" in bench.roles else jig.temperature_k)
    refuse_overdue(bench, today)
    scope = settings["scope"]
    if scope not in limits.scopes:
        raise UsageError(f"scope '{scope}': not in {limits.file}. Scopes there: {', '.join(limits.scopes)}.")
    for pattern in only.split() or ("",):
        if not limits.in_scope(scope, pattern):
            what = f"--only '{pattern}' matches no row" if pattern else "no row belongs to it"
            raise UsageError(f"scope '{scope}' of {limits.file}: {what}. 'hil plan' lists the rows.")
    files = Files(limits=limits, kit=kit, bench=bench, rows=limits.in_scope(scope), scope=scope, only=only)
    refuse_parts(files, [row.name for row in limits.in_scope(scope, only)], today)
    return replace(files, rows=tuple(_resolved(row, kit, today) for row in files.rows))


def refuse_parts(files: Files, names: Iterable[str], today: str) -> None:
    """Every reference part that the rows of those names need is wired and fit for use.

    Raises:
        UsageError: one is damaged, overdue or not wired to the selector.
    """
    needed = set(names)
    rows = [row for row in files.rows if row.part is not None and row.name in needed]
    for part in (files.kit[row.part] for row in rows if row.part is not None):
        if part.damaged:
            raise UsageError(
                f"{part.place}: part.{part.name}: damaged ({part.damaged}). Replace it before checking units."
            )
        if part.due and part.due < today:
            raise UsageError(
                f"{part.place}: part.{part.name}: calibration was due {part.due}, today is {today}. "
                "Send it to calibration, or take its rows out of the scope."
            )
    if "selector" in files.bench.roles:
        check_wiring(rows, files.bench.parts, files.bench.file)


def unit_run_of(files: Files) -> UnitRun:
    """A unit's run that can only be planned."""
    return UnitRun(
        serial="",
        scope=files.scope,
        rows=files.rows,
        only=files.only,
        outside_scope=files.outside_scope,
        available_roles=roles_of(files.bench),
        kit=files.kit,
    )


def _resolved(row: Limit, kit: Kit, today: str) -> Limit:
    if row.part is None or row.nominal is not None or row.tolerance is None:
        return row
    return row.around(value_today(kit[row.part], today))


def value_today(part: Part, today: str) -> float:
    """The value to use today: the last certificate carried on at the drift that the history shows."""
    return part.value if part.present is None else drift_of(part).value_on(today)


def refuse_serials(serials: Sequence[str], bench: BenchFile) -> None:
    """A serial number is one that the meter can hold, names a folder, and belongs to one unit.

    Raises:
        UsageError: one is not.
    """
    has_port = bench.meter is not None and bench.meter.protocol == "bench_port"
    pattern, words = SERIAL_NUMBER, "1 to 15 capitals, digits and hyphens, as the meter holds them"
    if not has_port:
        pattern, words = _FOLDER, "letters, digits, '-', '_' and '.', the first a letter or digit"
    for serial in serials:
        if not pattern.fullmatch(serial):
            raise UsageError(f"'{serial}' is no serial number; one is {words}. Correct it.")
    twins = sorted({serial for serial in serials if serials.count(serial) > 1})
    if twins:
        raise UsageError(f"serial number {twins[0]} is given twice. A serial number belongs to one unit.")


def refuse_image(image: str, files: Files, plan: Plan) -> None:
    """Whoever has units programmed names an image that can be read."""
    if "programmer" not in files.bench.roles or not any("programmer" in row.needs for row in plan.rows):
        return
    if not image:
        raise UsageError(f"scope '{files.scope}' has the unit programmed, but with what? Name it: --image FILE.")
    if not Path(image).is_file():
        raise UsageError(f"--image {image}: there is no such file. Correct its name.")
