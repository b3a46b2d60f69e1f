"""Long studies of the comparison: seeded firmware faults, rebuilds that change nothing, the model against the ELF,
and git bisect.

What each one found is kept in tests/data and held to: firmware_faults.csv, firmware_rebuilds.csv, model_and_elf.csv,
git_bisect.log. ``-m study --keep-tables`` writes them anew.
"""

import csv
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from hil.app.compare_firmware import Wish, demo_serials, take_sides
from hil.app.probes import ROWS as PROBES
from hil.app.settings import read_settings
from hil.core.baseline import RunSet, compare_sets
from hil.core.compare import Comparison, Finding, Kind, Shift
from hil.runner import run_unit

pytestmark = pytest.mark.study
ROOT = Path(__file__).parents[2]
SOURCES = ROOT / "fixtures" / "firmware"
FIRMWARE = SOURCES / "qm2.elf"
DATA = ROOT / "tests" / "data"
FAULTS = sorted((ROOT / "tests" / "firmware_faults").glob("*.patch"))
VERDICT = ": verdict"
NAMED = 4  # readings that a table names


def wish(tmp_path: Path, units: int, repeats: int = 1) -> Wish:
    return Wish(
        settings=read_settings({"out": str(tmp_path)}, folder=tmp_path),
        now="2026-11-25T05:00:00.000+00:00",
        serials=demo_serials(units),
        repeats=repeats,
        seed=0,
    )


def copy_sources(folder: Path) -> Path:
    shutil.copytree(SOURCES / "src", folder / "src")
    shutil.copy(SOURCES / "Makefile", folder)
    return folder


def build(folder: Path, *options: str) -> Path:
    subprocess.run(["make", "-s", "-C", str(folder), *options], check=True)
    return folder / "qm2.elf"


def measured(firmware: Iterable[Path | str], one: Wish) -> list[RunSet]:
    return take_sides([str(path) for path in firmware], one, run_unit)


@pytest.fixture(scope="module")
def baseline(tmp_path_factory) -> RunSet:
    return measured([FIRMWARE], wish(tmp_path_factory.mktemp("baseline"), units=4))[0]


Keep = Callable[[str, str, list[dict[str, str]]], None]


@pytest.fixture(scope="module")
def keep(request) -> Keep:
    """Writes a table with its heading, if that is wanted."""

    def write(name: str, heading: str, rows: list[dict[str, str]]) -> None:
        if not request.config.getoption("--keep-tables"):
            return
        with (DATA / name).open("w", newline="", encoding="utf-8") as file:
            file.write(f"# {heading}\n")
            table = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
            table.writeheader()
            table.writerows(rows)

    return write


def kept(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


# ---- faults that must be caught


def caught(comparison: Comparison) -> tuple[list[str], list[str]]:
    """Checks that fail now on a unit where they passed; readings that the comparison calls changed."""
    failing = [one.name.removesuffix(VERDICT) for one in comparison.shifts if one.name.endswith(VERDICT)]
    changed = [one.name for one in comparison.of(Finding.CHANGED) if not one.name.endswith(VERDICT)]
    return [name for name in failing if name not in PROBES], changed


@pytest.fixture(scope="module")
def faults_found(keep: Keep):
    found: list[dict[str, str]] = []
    yield found
    if len(found) == len(FAULTS):
        keep(
            "firmware_faults.csv",
            "Faults of the firmware and what caught each, on 4 units.",
            found,
        )


def test_there_are_enough_faults():
    assert len(FAULTS) >= 20
    assert [row["fault"] for row in kept("firmware_faults.csv")] == [patch.stem for patch in FAULTS]


@pytest.mark.parametrize("patch", FAULTS, ids=lambda path: path.stem)
def test_a_firmware_fault_is_caught(patch, baseline, faults_found, request, tmp_path):
    folder = copy_sources(tmp_path / "fw")
    subprocess.run(["patch", "-s", "-p1", "-d", str(folder), "-i", str(patch)], check=True)
    (candidate,) = measured([build(folder)], wish(tmp_path, units=4))
    comparison = compare_sets(baseline, candidate)
    by_check, by_comparison = caught(comparison)
    faults_found.append(
        {
            "fault": patch.stem,
            "what": patch.read_text(encoding="utf-8").splitlines()[0].removeprefix("Fault: "),
            "checks_failing": str(len(by_check)),
            "readings_changed": str(len(by_comparison)),
            "by_check": "; ".join(by_check[:NAMED]),
            "by_comparison": "; ".join(by_comparison[:NAMED]),
        }
    )
    assert by_check or by_comparison
    assert comparison.finding is Finding.CHANGED  # a check that fails on one unit alone would not do
    if not request.config.getoption("--keep-tables"):
        (row,) = (row for row in kept("firmware_faults.csv") if row["fault"] == patch.stem)
        for column, names in (("by_check", by_check), ("by_comparison", by_comparison)):
            assert set(filter(None, row[column].split("; "))) <= set(names)


# ---- rebuilds that change nothing

OPTIONS = (
    "OPT=-O1", "OPT=-O2", "OPT=-O3", "OPT=-Og", "EXTRA=-fno-inline -Wno-error", "EXTRA=-funroll-loops",
    "EXTRA=-fno-reorder-blocks", "EXTRA=-mno-call-prologues", "EXTRA=-fno-tree-vrp", "EXTRA=-g",
    "EXTRA=-fno-jump-tables", "EXTRA=-fno-strict-aliasing", "EXTRA=-fwrapv", "EXTRA=-mrelax", "EXTRA=-flto",
)  # fmt: skip
NAMES = (("overflows", "rollovers"), ("zeros", "offsets"), ("now_ms", "elapsed_ms"))


def rebuilds(tmp_path: Path) -> dict[str, Path]:
    """Builds that behave alike, by what is different: optimisation, names, order, path, code that nobody calls."""
    built = {words: build(copy_sources(tmp_path / f"b{place}"), words) for place, words in enumerate(OPTIONS)}
    built["another path"] = build(copy_sources(tmp_path / "a" / "much" / "longer" / "build" / "path"))
    for old, new in NAMES:
        folder = copy_sources(tmp_path / new)
        for path in (folder / "src").glob("*.[ch]"):
            path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
        built[f"{old} renamed {new}"] = build(folder)
    folder = copy_sources(tmp_path / "reversed")
    makefile = (folder / "Makefile").read_text(encoding="utf-8")
    (folder / "Makefile").write_text(makefile.replace("$(sort $(wildcard src/*.c))", "$(shell ls -r src/*.c)"))
    built["modules linked in reverse order"] = build(folder)
    folder = copy_sources(tmp_path / "spare")
    with (folder / "src" / "tank.c").open("a") as file:
        file.write("\n__attribute__((used)) static uint8_t spare(uint8_t x) { return x * 3 + 1; }\n")
    built["a function that nobody calls"] = build(folder)
    return built


def test_rebuilds_that_change_nothing_are_called_the_same(baseline, keep, tmp_path):
    built = rebuilds(tmp_path)
    assert len(built) >= 20
    called, rows = [], []
    for what, candidate in zip(built, measured(built.values(), wish(tmp_path, units=4)), strict=True):
        comparison = compare_sets(baseline, candidate)
        changed = [shift.name for shift in comparison.of(Finding.CHANGED)]
        called += changed
        rows.append(
            {
                "rebuild": what,
                "flash_bytes": str(candidate.firmware.flash_bytes),
                "finding": str(comparison.finding),
                "changed": "; ".join(changed),
                "cannot_tell": "; ".join(shift.name for shift in comparison.of(Finding.CANNOT_TELL)),
            }
        )
    keep("firmware_rebuilds.csv", "Rebuilds that keep behaviour, against the reference firmware on 4 units.", rows)
    assert len(called) <= 1, called


# ---- the device model against the ELF

QUANTITIES = {
    "F": "capacitance", "H": "inductance", "Hz": "frequency", "V": "voltage", "A": "current", "s": "time",
    "ohm": "resistance", "degC": "temperature", "": "ratio or number",
}  # fmt: skip


def test_device_model_and_firmware_are_equivalent_over_twenty_units(keep, tmp_path):
    model, firmware = measured(["model", FIRMWARE], wish(tmp_path, units=20))
    comparison = compare_sets(model, firmware)
    largest: dict[str, Shift] = {}
    count: dict[str, int] = {}
    for shift in comparison.shifts:
        if shift.in_margins is None or shift.kind not in (Kind.VALUE, Kind.TIME):
            continue
        count[shift.unit] = count.get(shift.unit, 0) + 1
        known = largest.setdefault(shift.unit, shift)
        if abs(shift.in_margins[0]) > abs((known.in_margins or (0.0,))[0]):
            largest[shift.unit] = shift
    rows = [_difference(QUANTITIES[unit], count[unit], shift) for unit, shift in sorted(largest.items())]
    heading = "Device model and reference firmware over 20 units: the largest difference of each quantity."
    keep("model_and_elf.csv", heading, rows)
    different = [(shift.name, str(shift.finding)) for shift in comparison.shifts if shift.finding is not Finding.SAME]
    assert different == []
    assert len(comparison.shifts) >= 140


def _difference(quantity: str, count: int, shift: Shift) -> dict[str, str]:
    assert shift.difference is not None
    assert shift.in_margins is not None
    return {
        "quantity": quantity,
        "readings": str(count),
        "largest_at": shift.name,
        "unit": shift.unit,
        "model": f"{shift.baseline:.7g}",
        "difference": f"{shift.difference.value:.2g}",
        "margin": f"{shift.margin:.2g}",
        "share_of_margin": f"{abs(shift.in_margins[0]):.3f}",
    }


# ---- git bisect


def test_git_bisect_finds_the_guilty_commit(request, tmp_path):
    """Eight commits over the sources, one of them a fault that no compiler sees and one that does not build."""
    work = copy_sources(tmp_path / "work")
    (work / ".gitignore").write_text("build/\n*.elf\nhil-out/\n")
    script = tmp_path / "bin" / "hil"
    script.parent.mkdir()
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m hil "$@"\n')
    script.chmod(0o755)
    environment = {
        **os.environ,
        "PATH": f"{script.parent}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        **{f"GIT_{who}_{what}": text for who in ("AUTHOR", "COMMITTER") for what, text in (
            ("NAME", "A. Example"), ("EMAIL", "a@example.invalid"), ("DATE", "2026-11-25T05:00:00Z"))},
    }  # fmt: skip

    def run(*words: str) -> str:
        done = subprocess.run(words, cwd=work, check=True, capture_output=True, text=True, env=environment)
        return done.stdout

    def commit(message: str, name: str = "", old: str = "", new: str = "") -> str:
        if name:
            path = work / "src" / name
            text = path.read_text(encoding="utf-8")
            assert old in text
            path.write_text(text.replace(old, new), encoding="utf-8")
        run("git", "add", "-A")
        run("git", "commit", "-qm", message)
        return run("git", "rev-parse", "HEAD").strip()

    run("git", "init", "-q")
    good = commit("first")
    commit("name", "tank.c", "difference", "delta")
    commit("faster display", "meter.c", "#define SHOW_MS 100", "#define SHOW_MS 90")
    commit("does not build", "gate.c", "static uint32_t pulses;", "static uint32_t pulses")
    commit("builds again", "gate.c", "static uint32_t pulses", "static uint32_t pulses;")
    guilty = commit("simpler divider", "board.h", "#define DIVIDER 0.4f", "#define DIVIDER 0.41f")
    commit("comment", "battery.c", "/* The converter", "/* Remember that the converter")
    commit("another name", "tank.c", "sum", "total")
    run("hil", "compare", str(FIRMWARE), "--keep", "good", "--units", "3", "--repeats", "1", "--scope", "boxed")
    run("git", "bisect", "start", "HEAD", good)
    said = run("git", "bisect", "run", "hil", "compare", "good", ".", "--scope", "boxed")
    assert f"{guilty} is the first bad commit" in said
    if request.config.getoption("--keep-tables"):
        log = run("git", "bisect", "log")
        lines = [line.rstrip() for line in f"{said}\n$ git bisect log\n{log}".splitlines()]
        (DATA / "git_bisect.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    told = (DATA / "git_bisect.log").read_text(encoding="utf-8")
    assert "is the first bad commit" in told
    assert "simpler divider" in told
