"""Long studies of the comparison: seeded firmware faults, rebuilds that change nothing, the model against the ELF,
and git bisect. Each prints its table; run with ``-m study -s``."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from hil.app.compare_firmware import Wish, demo_serials, take_sides
from hil.app.settings import read_settings
from hil.core.baseline import RunSet, compare_sets
from hil.core.compare import Finding, Kind
from hil.runner import run_unit

pytestmark = pytest.mark.study
ROOT = Path(__file__).parents[2]
SOURCES = ROOT / "fixtures" / "firmware"
FIRMWARE = SOURCES / "qm2.elf"
FAULTS = sorted((ROOT / "tests" / "firmware_faults").glob("*.patch"))
VERDICT = ": verdict"


def wish(tmp_path: Path, units: int, repeats: int = 1) -> Wish:
    return Wish(
        settings=read_settings({"out": str(tmp_path)}, folder=tmp_path),
        now="2026-11-25T05:00:00.000+00:00",
        serials=demo_serials(units),
        repeats=repeats,
        seed=0,
    )


def build(folder: Path, *options: str) -> Path:
    """A copy of the sources, built; `folder` may hold changed ones already."""
    if not (folder / "Makefile").exists():
        shutil.copytree(SOURCES / "src", folder / "src")
        shutil.copy(SOURCES / "Makefile", folder)
    subprocess.run(["make", "-s", "-C", str(folder), *options], check=True)
    return folder / "qm2.elf"


def measured(firmware: list[Path | str], one: Wish) -> list[RunSet]:
    return take_sides([str(path) for path in firmware], one, run_unit)


@pytest.fixture(scope="module")
def baseline(tmp_path_factory) -> RunSet:
    return measured([FIRMWARE], wish(tmp_path_factory.mktemp("baseline"), units=4))[0]


def test_there_are_enough_faults():
    assert len(FAULTS) >= 20


@pytest.mark.parametrize("patch", FAULTS, ids=lambda path: path.stem)
def test_a_firmware_fault_is_caught(patch, baseline, tmp_path):
    folder = tmp_path / "fw"
    shutil.copytree(SOURCES / "src", folder / "src")
    shutil.copy(SOURCES / "Makefile", folder)
    subprocess.run(["patch", "-s", "-p1", "-d", str(folder), "-i", str(patch)], check=True)
    (candidate,) = measured([build(folder)], wish(tmp_path, units=4))
    changed = compare_sets(baseline, candidate).of(Finding.CHANGED)
    by_check = [shift.name.removesuffix(VERDICT) for shift in changed if shift.name.endswith(VERDICT)]
    by_comparison = [shift.name for shift in changed if not shift.name.endswith(VERDICT)]
    print(f"\n| {patch.stem} | {', '.join(by_check[:4]) or '—'} | {', '.join(by_comparison[:4]) or '—'} |")
    assert by_check or by_comparison


def rebuilds(tmp_path: Path) -> list[Path]:
    """Builds that behave alike: other optimisation, names, order, path."""
    options = [
        ("OPT=-O1",), ("OPT=-O2",), ("OPT=-O3",), ("OPT=-Og",), ("EXTRA=-fno-inline -Wno-error",),
        ("EXTRA=-funroll-loops",),
        ("EXTRA=-fno-reorder-blocks",), ("EXTRA=-mno-call-prologues",), ("EXTRA=-fno-tree-vrp",), ("EXTRA=-g",),
        ("EXTRA=-fno-jump-tables",), ("EXTRA=-fno-strict-aliasing",), ("EXTRA=-fwrapv",), ("EXTRA=-mrelax",),
        ("EXTRA=-flto", "OPT=-Os"),
    ]  # fmt: skip
    built = [build(tmp_path / f"b{number}", *words) for number, words in enumerate(options)]
    built.append(build(tmp_path / "a" / "much" / "longer" / "build" / "path"))
    for number, (old, new) in enumerate((("overflows", "rollovers"), ("zeros", "offsets"), ("now_ms", "elapsed_ms"))):
        folder = tmp_path / f"named{number}"
        shutil.copytree(SOURCES / "src", folder / "src")
        shutil.copy(SOURCES / "Makefile", folder)
        for path in (folder / "src").glob("*.[ch]"):
            path.write_text(path.read_text().replace(old, new))
        built.append(build(folder))
    reversed_order = tmp_path / "reversed"
    shutil.copytree(SOURCES / "src", reversed_order / "src")
    makefile = (SOURCES / "Makefile").read_text()
    order = "$(shell ls -r src/*.c)"
    (reversed_order / "Makefile").write_text(makefile.replace("$(sort $(wildcard src/*.c))", order))
    built.append(build(reversed_order))
    spare = tmp_path / "spare"
    shutil.copytree(SOURCES / "src", spare / "src")
    shutil.copy(SOURCES / "Makefile", spare)
    with (spare / "src" / "tank.c").open("a") as file:
        file.write("\n__attribute__((used)) static uint8_t spare(uint8_t x) { return x * 3 + 1; }\n")
    built.append(build(spare))
    return built


def test_rebuilds_that_change_nothing_are_called_the_same(baseline, tmp_path):
    built = rebuilds(tmp_path)
    assert len(built) >= 20
    called = []
    for candidate in measured(list(built), wish(tmp_path, units=4)):
        comparison = compare_sets(baseline, candidate)
        changed = [shift.name for shift in comparison.of(Finding.CHANGED)]
        called += changed
        size = candidate.firmware.flash_bytes
        print(f"\n{size} bytes: {comparison.finding}, changed {changed}, open "
              f"{[shift.name for shift in comparison.of(Finding.CANNOT_TELL)]}", end="")  # fmt: skip
    assert len(called) <= 1


def test_device_model_and_firmware_are_equivalent_over_twenty_units(tmp_path):
    model, firmware = measured(["model", FIRMWARE], wish(tmp_path, units=20))
    comparison = compare_sets(model, firmware)
    largest: dict[str, tuple[float, str]] = {}
    for shift in comparison.shifts:
        if shift.in_margins is not None and shift.kind in (Kind.VALUE, Kind.TIME):
            unit = shift.unit or "ratio"
            largest[unit] = max(largest.get(unit, (0.0, "")), (abs(shift.in_margins[0]), shift.name))
    for unit, (in_margins, name) in sorted(largest.items()):
        print(f"\n{unit}: largest difference {in_margins:.2f} of its margin, at {name}", end="")
    assert [shift.name for shift in comparison.shifts if shift.finding is not Finding.SAME] == []


def test_git_bisect_finds_the_guilty_commit(tmp_path):
    """Eight commits over the sources, one of them a fault that no compiler sees and one that does not build."""
    work = tmp_path / "work"
    shutil.copytree(SOURCES / "src", work / "src")
    shutil.copy(SOURCES / "Makefile", work)
    (work / ".gitignore").write_text("build/\n*.elf\nhil-out/\n")

    def git(*words: str) -> str:
        done = subprocess.run(["git", "-C", str(work), *words], check=True, capture_output=True, text=True)
        return done.stdout

    def commit(message: str, name: str = "", old: str = "", new: str = "") -> str:
        if name:
            path = work / "src" / name
            text = path.read_text()
            assert old in text
            path.write_text(text.replace(old, new))
        git("add", "-A")
        git("-c", "user.name=A. Example", "-c", "user.email=a@example.invalid", "commit", "-qm", message)
        return git("rev-parse", "HEAD").strip()

    git("init", "-q")
    good = commit("first")
    commit("name", "tank.c", "difference", "delta")
    commit("faster display", "meter.c", "#define SHOW_MS 100", "#define SHOW_MS 90")
    commit("does not build", "gate.c", "static uint32_t pulses;", "static uint32_t pulses")
    commit("builds again", "gate.c", "static uint32_t pulses", "static uint32_t pulses;")
    guilty = commit("simpler divider", "board.h", "#define DIVIDER 0.4f", "#define DIVIDER 0.41f")
    commit("comment", "battery.c", "/* The converter", "/* Remember that the converter")
    commit("another name", "tank.c", "sum", "total")
    hil = [sys.executable, "-m", "hil", "compare"]
    subprocess.run([*hil, str(FIRMWARE), "--keep", "good", "--units", "3", "--repeats", "1", "--scope", "boxed"],
                   cwd=work, check=True, env=_environment())  # fmt: skip
    git("bisect", "start", "HEAD", good)
    done = subprocess.run(
        ["git", "bisect", "run", *hil, "good", ".", "--scope", "boxed"],
        cwd=work, capture_output=True, text=True, check=False, env=_environment(),
    )  # fmt: skip
    print(done.stdout)
    assert f"{guilty} is the first bad commit" in done.stdout
    assert done.returncode == 0


def _environment() -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": str(ROOT)}
