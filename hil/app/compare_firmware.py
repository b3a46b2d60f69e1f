"""Compare two firmwares: run them, or take recorded runs or a kept baseline.

A side of a comparison is named by

    FILE.elf          an ELF, which is run on simulated units
    FOLDER            a folder where make builds one
    model             the device model of the simulated bench
    version:1.4.0     recorded runs of units with that firmware version
    image:9c9c…       recorded runs of units programmed with that image (beginning of its SHA-256)
    lot:L17           recorded runs of a lot
    NAME              a baseline kept under that name
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import hil
from hil.app.before_adjustment import ROWS as ADJUSTED
from hil.app.before_adjustment import before_adjustment
from hil.app.check_files import Files, read_files
from hil.app.check_unit import RunSession
from hil.app.locate import label_of, locate, read_text
from hil.app.measure_firmware import build_directory, measure_firmware
from hil.app.probes import ROWS as PROBES
from hil.app.settings import Settings
from hil.app.whole_file import write_whole
from hil.core.baseline import Firmware, RunSet, gather, refusal
from hil.core.records import Run
from hil.errors import HilError, UsageError
from hil.files.netlist import parse_netlist
from hil.simlink.elf_unit import read_firmware

MODEL = "model"
_RECORDED = ("version", "image", "lot")
DEFAULT_UNITS, DEFAULT_REPEATS = 5, 2


class CannotBuild(HilError):
    """The sources of one side do not build: nothing can be said about it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """How ELF files are to be run; None: as the baseline was, else the defaults."""

    settings: Settings
    now: str
    serials: tuple[str, ...] | None = None
    repeats: int | None = None
    seed: int | None = None
    jobs: int | None = None


def demo_serials(count: int) -> tuple[str, ...]:
    """Serial numbers of units that are made up for a comparison."""
    return tuple(f"CMP-{number:03}" for number in range(1, count + 1))


def take_sides(names: Sequence[str], wish: Wish, run_session: RunSession) -> list[RunSet]:
    """The readings behind each name, in the order given; ELF files of one call are run side by side.

    Raises:
        UsageError: a name that means nothing, files that are wrong, or two sides that cannot be compared.
        BenchError: a firmware cannot be run.
        CannotBuild: a folder of sources does not build.
    """
    files = read_files(wish.settings, today=wish.now[:10])
    sides: list[RunSet | str] = [_known(name, files, wish) for name in names]
    known = next((side for side in sides if isinstance(side, RunSet)), None)
    serials = wish.serials or (known.serials if known else None) or demo_serials(DEFAULT_UNITS)
    repeats = wish.repeats or (known.repeats if known else None) or DEFAULT_REPEATS
    seed = wish.seed if wish.seed is not None else (known.seed if known and known.seed is not None else 0)
    _refuse(names, [
        side if isinstance(side, RunSet)
        else _run_set(Firmware(source=""), [], files, serials=serials, repeats=repeats, seed=seed, made=wish.now)
        for side in sides
    ])  # fmt: skip
    to_run = [side for side in sides if isinstance(side, str)]
    made = iter(
        _run_side(side, runs, files, serials, repeats, seed, wish)
        for side, runs in zip(
            to_run,
            measure_firmware(
                to_run, run_session, serials=serials, repeats=repeats, settings=wish.settings, seed=seed,
                now=wish.now, jobs=wish.jobs,
            ) if to_run else [],
            strict=True,
        )
    )  # fmt: skip
    return [side if isinstance(side, RunSet) else next(made) for side in sides]


def _refuse(names: Sequence[str], sides: Sequence[RunSet]) -> None:
    """Before anything is measured: what cannot be compared is not worth measuring."""
    if len(sides) == 2 and (reason := refusal(*sides)):
        raise UsageError(f"{names[0]} and {names[1]} cannot be compared: {reason}.")


def _known(name: str, files: Files, wish: Wish) -> RunSet | str:
    """A set that exists, or the path of an ELF to run ("" for the model)."""
    kind, colon, text = name.partition(":")
    if colon and kind in _RECORDED:
        return recorded(kind, text, files, wish)
    if name == MODEL:
        return ""
    path = Path(name)
    if path.is_dir():
        built = build_directory(path)
        if built is None:
            raise CannotBuild(f"{name}: 'make' failed there; run 'make -C {name}' to see why.")
        read_firmware(built)
        return str(built)
    if path.suffix == ".elf" or path.is_file():
        read_firmware(path)
        return str(path)
    kept = baseline_path(wish.settings, name)
    if kept.is_file():
        return load_baseline(kept)
    known = ", ".join(baseline_names(wish.settings)) or "none"
    raise UsageError(
        f"'{name}': no ELF file, no folder, no baseline. Baselines kept in {kept.parent}: {known}. "
        "Recorded runs are named version:…, image:… or lot:…."
    )


def _run_side(
    path: str, runs: Sequence[Run], files: Files, serials: Sequence[str], repeats: int, seed: int, wish: Wish
) -> RunSet:
    image = read_firmware(Path(path)) if path else None
    firmware = Firmware(
        source=Path(path).name if path else MODEL,
        version=_version(runs),
        sha256=image.sha256 if image else "",
        flash_bytes=image.flash_bytes if image else None,
        ram_bytes=image.ram_bytes if image else None,
    )
    return _run_set(firmware, runs, files, serials=serials, repeats=repeats, seed=seed, made=wish.now)


def _version(runs: Iterable[Run]) -> str:
    versions = {dict(run.closed.facts).get("firmware_version", "") for run in runs if run.closed}
    return ", ".join(sorted(versions - {""}))


def _run_set(
    firmware: Firmware, runs: Sequence[Run], files: Files, *, serials: Sequence[str], repeats: int,
    seed: int | None, made: str,
) -> RunSet:  # fmt: skip
    try:
        series = gather(
            [before_adjustment(run) for run in runs], {row.name: row for row in files.rows} | PROBES | ADJUSTED
        )
    except ValueError as problem:
        raise UsageError(f"{files.limits.file}: {problem}.") from None
    board = locate("board", files.limits.board)
    return RunSet(
        firmware=firmware,
        board=files.limits.board,
        board_revision=parse_netlist(label_of(board), read_text(board)).revision,
        limits=files.limits.file,
        limits_revision=files.limits.revision,
        limits_sha256=files.limits.sha256,
        scope=files.scope,
        bench=files.bench.bench,
        simulated=files.bench.simulated,
        seed=seed,
        serials=tuple(serials),
        repeats=repeats,
        made=made,
        suite_version=hil.__version__,
        series=series,
    )


def recorded(kind: str, text: str, files: Files, wish: Wish) -> RunSet:
    """Recorded runs of one firmware version, image or lot.

    Raises:
        UsageError: there are none, or they were measured on different benches or by different limits.
    """
    from hil.store.sqlite_store import open_store

    where = wish.settings.records(simulated=files.bench.simulated)
    if "://" not in where and not Path(where).is_file():
        raise UsageError(f"{kind}:{text}: there is no record {where}. Check units first, or give --out or --records.")
    with open_store(where, read_only=True) as store:
        runs = [run for run in store.runs(lot=text if kind == "lot" else None) if _is_meant(run, kind, text, files)]
    if wish.serials is not None:
        runs = [run for run in runs if run.opened.serial in wish.serials]
    if not runs:
        raise UsageError(
            f"{kind}:{text}: no whole run of scope '{files.scope}' in {where}. 'hil show' lists the runs there."
        )
    first = runs[0].opened
    for run in runs:
        for what, value, other in (
            ("bench", first.bench, run.opened.bench),
            ("limits revision", first.limits_revision, run.opened.limits_revision),
            ("limits file", first.limits_sha256, run.opened.limits_sha256),
        ):
            if value != other:
                raise UsageError(
                    f"{kind}:{text}: runs {first.run} and {run.opened.run} differ in {what}: they do not belong "
                    "together. Name fewer with --serials."
                )
    serials = tuple(dict.fromkeys(run.opened.serial for run in runs))
    firmware = Firmware(source=f"{kind}:{text}", version=_version(runs))
    found = _run_set(firmware, runs, files, serials=serials, repeats=max(1, round(len(runs) / len(serials))),
                     seed=first.seed, made=runs[-1].opened.opened)  # fmt: skip
    return replace(
        found, limits_revision=first.limits_revision, limits_sha256=first.limits_sha256, bench=first.bench,
        limits=first.limits_file, simulated=first.simulated,
    )  # fmt: skip


def _is_meant(run: Run, kind: str, text: str, files: Files) -> bool:
    if run.closed is None or run.opened.only or run.opened.faults:
        return False
    if run.opened.scope != files.scope or run.opened.board != files.limits.board:
        return False
    facts = dict(run.closed.facts)
    if kind == "version":
        return facts.get("firmware_version") == text
    if kind == "image":
        return bool(text) and facts.get("image_sha256", "").startswith(text.lower())
    return run.opened.lot == text


# ---- baselines


def baseline_path(settings: Settings, name: str) -> Path:
    """Where a baseline of that name lies.

    Raises:
        UsageError: a name that is none.
    """
    if not name or not all(letter.isalnum() or letter in "-_." for letter in name) or name.startswith("."):
        raise UsageError(f"'{name}' is no name for a baseline. Use letters, digits, '-', '_' and '.'.")
    return settings.out / "baselines" / f"{name}.json"


def baseline_names(settings: Settings) -> list[str]:
    """Names of all baselines kept."""
    return sorted(path.stem for path in (settings.out / "baselines").glob("*.json"))


def baselines_told(settings: Settings) -> list[str]:
    """A line for each baseline: its name and what it is tied to."""
    lines = []
    for name in baseline_names(settings):
        try:
            kept = load_baseline(baseline_path(settings, name))
        except UsageError as problem:
            lines.append(f"{name}: {problem}")
            continue
        lines.append(
            f"{name}: firmware {kept.firmware.version or 'unknown'} ({kept.firmware.source}), board {kept.board} "
            f"{kept.board_revision}, limits {kept.limits_revision}, scope {kept.scope}, bench {kept.bench}, "
            f"{len(kept.serials)} units, {kept.repeats} repeats, {kept.made[:10]}"
        )
    return lines


def free_baseline(settings: Settings, name: str) -> Path:
    """Where a new baseline will lie; asked before anything is measured for it.

    Raises:
        UsageError: the name is taken, or is none.
    """
    path = baseline_path(settings, name)
    if path.exists():
        raise UsageError(f"baseline '{name}' is kept already ({path}). Choose another name, or remove that file.")
    return path


def keep_baseline(settings: Settings, name: str, kept: RunSet) -> Path:
    """Keep a set under a name; a name that is taken stays as it is.

    Raises:
        UsageError: the name is taken, or is none.
        BenchError: it cannot be written.
    """
    return write_whole(free_baseline(settings, name), json.dumps(kept.as_json(), indent=1, sort_keys=True).encode())


def load_baseline(path: Path) -> RunSet:
    """Read a baseline.

    Raises:
        UsageError: the file is none, or is damaged.
    """
    try:
        return RunSet.from_json(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError) as problem:
        raise UsageError(f"{path}: cannot be used as a baseline: {problem}. Keep it anew.") from None
