"""A lot of 500 units with three planted problems (tests/lot_model.py): the report names them, and nothing else."""

import pytest

from hil.app.lot import figures_of, write_lot_report
from hil.render.lot_page import findings
from hil.store.sqlite_store import SqliteStore
from tests.lot_model import BAD_CONTACT, COIL, RAILS, matches, write_model_lot

PLANTED = {
    ("drift", "component_lot", "L1-2603"): COIL,
    ("shift", "bench", "west"): RAILS,
    ("shift", "operator", "ines"): BAD_CONTACT,
    ("scatter", "operator", "ines"): BAD_CONTACT,
}


def named(tmp_path, seed: int, **planted: float):
    path = tmp_path / f"{seed}.sqlite"
    with SqliteStore(str(path)) as store:
        write_model_lot(store, seed=seed, **planted)
        figures = figures_of("26-11", store)
    path.unlink()
    return figures


def test_three_planted_problems_lead_the_page_and_nothing_else_is_blamed(tmp_path):
    figures = named(tmp_path, 1)
    for effect in figures.effects:
        rows = PLANTED[effect.kind, effect.grouping, effect.group]
        assert matches(effect.check, rows), effect
    said = [one for one in findings(figures) if one.check]
    assert sorted(one.words.split(" ")[0:3] for one in said) == [
        ["Bench", "west", "reads"],
        ["Component", "lot", "L1-2603"],
        ["Operator", "ines", "reads"],
        ["Operator", "ines", "scatters"],
    ]
    page, *_ = write_lot_report(figures, tmp_path, now="2026-11-25 10:00")
    text = page.read_text()
    # Each is drawn: the group that stands out has a colour of its own, and its name beside the plot.
    for words in ("● component lot L1-2603", "● operator ines", "● bench west"):
        assert words in text
    assert "SIMULATED" in text


def test_the_same_lot_without_them_has_nothing_to_say(tmp_path):
    figures = named(tmp_path, 1, drift=0.0, bench=0.0, habit=0.0)
    assert figures.effects == ()
    assert not [one for one in figures.checks if one.in_control is False]


@pytest.mark.study
def test_over_many_lots_the_planted_problems_are_found_and_hardly_anything_else(tmp_path):
    lots, missed, wrong = 20, 0, 0
    for seed in range(lots):
        figures = named(tmp_path, seed)
        found = {(one.kind, one.grouping, one.group) for one in figures.effects}
        missed += len(PLANTED.keys() - found)
        wrong += len(found - PLANTED.keys())
    assert missed <= 0.02 * lots * len(PLANTED)
    assert wrong <= 0.05 * lots
