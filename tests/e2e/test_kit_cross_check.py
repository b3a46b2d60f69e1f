"""A reference part that moves between two lots is named, from the checks of the units alone."""

from pathlib import Path

import pytest

from hil.app.check_unit import Order, check_units
from hil.app.kit import cross_check_kit
from hil.app.locate import load_kit
from hil.app.settings import read_settings
from hil.core.records import Run
from hil.runner import run_unit

NOW = "2026-11-25T05:00:00.000+00:00"
PART = "c_10n"
UNITS = tuple(f"Q2-{number:05d}" for number in range(401, 417))


def checked(folder: Path) -> list[Run]:
    """Sixteen units whose capacitances are read; the part has moved from the ninth on."""
    settings = read_settings({"scope": "serial_only", "out": str(folder)}, folder=folder)
    faults = dict.fromkeys(UNITS[8:], (f"bench.part.{PART}=+0.5%",))
    order = Order(serials=UNITS, settings=settings, now=NOW, only="[cz]*", faults_of=faults)
    return [outcome.run for outcome in check_units(order, run_unit)]


def test_the_part_that_moved_is_named(tmp_path: Path) -> None:
    runs = checked(tmp_path)
    found = cross_check_kit(runs, load_kit("demo", today=NOW[:10]), since=runs[8].opened.opened)
    assert [one.check.part for one in found if one.check.has_moved] == [PART]
    assert {one.check.part: one.check.deviation for one in found}[PART] == pytest.approx(0.005, rel=0.02)
