"""Long study: 500 units through the simulated bench, with three problems (study_lot.py): the report names all three.

What else it names must be true. Benches east and west have instruments and needles of their own, so that they do differ
in other ways than the one put in; nobody blames a person, a component lot or a firmware with which nothing is wrong.
``--keep-tables`` writes tests/data/lot_of_500_findings.csv anew. It takes seven minutes of one processor.
"""

import csv
import subprocess
import sys
from pathlib import Path

import pytest

from hil.app.lot import figures_of, finding_rows
from hil.render.lot_page import findings
from hil.store.sqlite_store import SqliteStore
from tests.e2e.study_lot import LOT

SCRIPT, DATA = Path(__file__).with_name("study_lot.py"), Path(__file__).parents[1] / "data"
TANK, VOLTS = ("l1", "f_open", "f_ccal"), ("rail_5v_nominal", "rail_3v_nominal", "battery_at_7v4")
# Drawn by the seeds of the two benches: currents of the supply 0.29 mA apart, ohmmeters and needles about 0.1 ohm.
DRAWN = ("reverse_current", "contact_")


@pytest.mark.study
def test_three_problems_nobody_was_told_of_are_named_and_nobody_else_is_blamed(
    tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    subprocess.run([sys.executable, str(SCRIPT), str(tmp_path)], check=True)
    with SqliteStore(str(tmp_path / "simulated.sqlite"), read_only=True) as store:
        figures = figures_of(LOT, store)
    if request.config.getoption("--keep-tables"):
        rows = [row for row in finding_rows(figures) if row["finding"] in ("shift", "drift", "scatter", "outlier")]
        with (DATA / "lot_of_500_findings.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    assert figures.units == 500
    named: dict[tuple[str, str, str], dict[str, float]] = {}
    for effect in figures.effects:
        named.setdefault((effect.kind, effect.grouping, effect.group), {})[effect.check] = effect.size
    assert set(named) == {
        ("drift", "component_lot", "L1-2603"), ("shift", "bench", "west"), ("shift", "operator", "ines"),
    }  # fmt: skip
    # The three, each in every row where it shows, and by how much was put in.
    assert set(named["drift", "component_lot", "L1-2603"]) == set(TANK)
    assert named["drift", "component_lot", "L1-2603"]["l1"] == pytest.approx(0.08 * 100e-6, rel=0.25)
    volts = {name: size for name, size in named["shift", "bench", "west"].items() if not name.startswith(DRAWN)}
    assert set(VOLTS) <= set(volts)
    assert volts["rail_5v_nominal"] == pytest.approx(0.004 * 5, rel=0.2)
    ines = named["shift", "operator", "ines"]
    assert all(name.startswith("contact_") for name in ines)
    assert len(ines) >= 10
    assert all(size == pytest.approx(0.080, rel=0.1) for size in ines.values())
    # All three are said among the first five sentences.
    words = " ".join(one.words for one in findings(figures)[:5])
    assert "Component lot L1-2603 drifts: L1 as the frequencies tell it" in words
    assert "of these by 0.4" in words
    assert "Operator ines reads contact of the needles" in words
    assert figures.outliers == ()
