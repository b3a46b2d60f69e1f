"""Findings about shifts: same, changed, open; with what would settle it, and against chance."""

import random

import pytest

from hil.core.compare import (
    Comparison,
    Finding,
    Kind,
    Shift,
    against_chance,
    classify,
    compare_spread,
    compare_texts,
    compare_values,
    granularity,
    numbers_to_settle,
    shift_of,
)
from hil.core.equivalence import Difference


def runs(rng, shift, *, units=5, repeats=3, spread=0.2, interaction=0.05):
    """Both sides of a comparison: units differ by far more than the margin of 1, as real units do."""
    baseline, candidate = {}, {}
    for unit in range(units):
        own, moved = rng.gauss(100.0, 10.0), shift + rng.gauss(0.0, interaction)
        baseline[f"U{unit}"] = [own + rng.gauss(0, spread) for _ in range(repeats)]
        candidate[f"U{unit}"] = [own + moved + rng.gauss(0, spread) for _ in range(repeats)]
    return baseline, candidate


@pytest.mark.parametrize(("shift", "right"), [(0.5, Finding.SAME), (-0.5, Finding.SAME), (1.5, Finding.CHANGED)])
def test_injected_shifts_are_classed_rightly(shift, right):
    rng = random.Random(f"shift {shift}")
    found = [compare_values("c", *runs(rng, shift), margin=1.0).finding for _ in range(1000)]
    assert found.count(right) >= 950
    assert found.count(Finding.CHANGED if right is Finding.SAME else Finding.SAME) == 0


# Spread of repeats and floor of every judged row of limits/qm2.toml, in margins: reference firmware, 3 units, twice.
ROWS = (
    (0.41, 0.0), (0.37, 0.0), (0.10, 0.29), (0.10, 0.26), (0.08, 0.24), (0.11, 0.22), (0.03, 0.21), (0.0, 0.14),
    (0.0, 0.14), (0.12, 0.0), (0.11, 0.0), (0.0, 0.10), (0.0, 0.10), *((0.09, 0.0),) * 6, *((0.05, 0.0),) * 94,
)  # fmt: skip


@pytest.mark.parametrize(("shift", "right"), [(0.5, Finding.SAME), (-1.5, Finding.CHANGED)])
def test_a_shift_in_one_row_of_a_whole_comparison_is_classed_rightly(shift, right):
    """As `hil compare` does it unless told otherwise: five units, two repeats, all rows held against chance."""
    rng, found = random.Random(f"row {shift}"), []
    rest = [Shift(name="r", kind=Kind.SPREAD, finding=Finding.SAME) for _ in range(2 * len(ROWS) - 1)]
    for place in range(1000):
        within, floor = ROWS[place % len(ROWS)]
        sides = runs(rng, shift, units=5, repeats=2, spread=within, interaction=0.0)
        moved = compare_values("c", *sides, margin=1.0, floor=floor)
        found.append(against_chance([moved, *rest]).shifts[0].finding)
    assert found.count(right) >= 950
    assert found.count(Finding.CHANGED if right is Finding.SAME else Finding.SAME) == 0


def test_a_shift_at_the_margin_is_called_changed_no_more_often_than_the_level():
    rng = random.Random("margin")
    found = [compare_values("c", *runs(rng, 1.0), margin=1.0).finding for _ in range(1000)]
    assert found.count(Finding.CHANGED) <= 70  # 5 %, three standard deviations of the count
    assert found.count(Finding.SAME) <= 70


def test_repeats_do_not_stand_in_for_units():
    """A hundred repeats on three units that moved differently: three units' worth of knowledge."""
    baseline = {unit: [float(place)] * 100 for place, unit in enumerate("ABC")}
    candidate = {unit: [place + moved] * 100 for (place, unit), moved in zip(enumerate("ABC"), (-1, 0, 1), strict=True)}
    difference, _, between = shift_of(baseline, candidate)
    assert difference.dof == 2
    assert between == pytest.approx(1.0)
    assert classify(difference, 1.5) is Finding.CANNOT_TELL


def test_spread_is_floored_at_the_resolution():
    alike = {"A": [5.0, 5.0], "B": [5.0, 5.0]}
    difference, within, _ = shift_of(alike, alike, floor=0.3)
    assert within == 0.3
    assert difference.standard_error == pytest.approx(0.3 / 2**0.5)
    assert difference.dof == float("inf")  # the resolution is known, not seen
    assert compare_values("c", alike, alike, margin=0.3, floor=0.3).finding is Finding.CANNOT_TELL
    assert compare_values("c", alike, alike, margin=0.5, floor=0.3).finding is Finding.SAME


def test_one_unit_speaks_for_itself():
    difference, _, _ = shift_of({"A": [1.0, 1.1, 0.9]}, {"A": [2.0, 2.1, 1.9]})
    assert difference.dof == pytest.approx(4)
    single, _, _ = shift_of({"A": [1.0]}, {"A": [2.0]})
    assert single.interval() == (float("-inf"), float("inf"))


def test_what_would_settle_it():
    # Three units, noise 0.5 a reading, nothing between units: more repeats help.
    repeats, units = numbers_to_settle(0.2, within=0.5, between=0.0, unit_count=3, repeats=1, margin=1.0)
    assert repeats is not None
    assert repeats > 1
    assert units is not None
    # Units that move differently: no number of repeats helps, more units do.
    repeats, units = numbers_to_settle(0.2, within=0.0, between=1.0, unit_count=3, repeats=2, margin=1.0)
    assert repeats is None
    assert units is not None
    # A shift as large as the margin: nothing helps.
    assert numbers_to_settle(1.0, within=0.5, between=0.1, unit_count=3, repeats=2, margin=1.0) == (None, None)


def test_the_number_of_repeats_does_settle_it():
    rng = random.Random("settle")
    repeats, _ = numbers_to_settle(0.0, within=0.8, between=0.0, unit_count=4, repeats=1, margin=1.0)
    assert repeats is not None
    found = [
        compare_values("c", *runs(rng, 0.0, units=4, repeats=repeats, spread=0.8, interaction=0.0), margin=1.0).finding
        for _ in range(400)
    ]
    assert found.count(Finding.SAME) / 400 == pytest.approx(0.8, abs=0.08)


def test_texts():
    same = compare_texts("t", {"A": ["x", "x"]}, {"A": ["x"]})
    assert (same.finding, same.kind, same.baseline) == (Finding.SAME, Kind.TEXT, "x")
    changed = compare_texts("t", {"A": ["x"], "B": ["x"]}, {"A": ["x"], "B": ["y"]})
    assert (changed.finding, changed.baseline, changed.candidate) == (Finding.CHANGED, "x", "y")
    mixed = compare_texts("t", {"A": ["x", "y"]}, {"A": ["x", "x"]})
    assert (mixed.finding, mixed.reason) == (Finding.CANNOT_TELL, "not the same from repeat to repeat")
    assert compare_texts("t", {"A": [None]}, {"A": ["x"]}).baseline == "nothing"


def test_a_reading_that_is_gone_has_changed():
    gone = compare_values("c", {"A": [1.0]}, {"A": []}, margin=1.0)
    assert (gone.finding, gone.reason) == (Finding.CHANGED, "the candidate has no reading")
    assert compare_values("c", {"A": []}, {"A": [1.0]}, margin=1.0).finding is Finding.CANNOT_TELL
    assert compare_values("c", {"A": []}, {"A": []}, margin=1.0).reason == "neither has a reading"
    partly = compare_values("c", {"A": [1.0, 1.0], "B": [1.0, 1.0]}, {"A": [1.0, 1.0], "B": []}, margin=1.0)
    assert (partly.finding, partly.reason) == (Finding.CHANGED, "the candidate has no reading on B")


def test_spread_that_grew():
    rng = random.Random("spread")
    quiet = {unit: [rng.gauss(0, 1) for _ in range(10)] for unit in "ABC"}
    loud = {unit: [rng.gauss(0, 6) for _ in range(10)] for unit in "ABC"}
    found = compare_spread("c", quiet, loud)
    assert found is not None
    assert found.finding is Finding.CHANGED
    again = compare_spread("c", quiet, {unit: [rng.gauss(0, 1) for _ in range(10)] for unit in "ABC"})
    assert again is not None
    assert again.finding is Finding.SAME
    assert compare_spread("c", {"A": [1.0]}, {"A": [1.0]}) is None


def test_the_list_of_changes_is_held_against_chance():
    def shift(name, t, finding):
        difference = Difference(value=1.0 + 0.1 * t, standard_error=0.1, dof=4)
        return Shift(name=name, finding=finding, margin=1.0, difference=difference, p_value=difference.p_beyond(1.0))

    alone = against_chance([shift("a", 2.5, Finding.CHANGED)])
    assert alone.finding is Finding.CHANGED
    others = [shift(f"s{number}", -9.5, Finding.SAME) for number in range(99)]
    among = against_chance([shift("a", 2.5, Finding.CHANGED), *others])
    assert among.finding is Finding.CANNOT_TELL
    assert among.shifts[0].reason == "changed if it stood alone; among 100 quantities chance explains it"
    assert against_chance([shift("a", 200.0, Finding.CHANGED), *others]).finding is Finding.CHANGED


def test_a_shift_inside_the_margin_is_flagged_when_it_is_surely_there():
    baseline = {f"U{unit}": [unit + place / 1000 for place in range(3)] for unit in range(5)}
    candidate = {name: [value + 0.4 for value in values] for name, values in baseline.items()}
    comparison = against_chance([compare_values("c", baseline, candidate, margin=1.0, floor=0.001)])
    assert comparison.finding is Finding.SAME
    assert comparison.shifts[0].is_significant
    assert comparison.shifts[0].in_margins is not None
    assert comparison.shifts[0].in_margins[0] == pytest.approx(0.4)


def test_finding_of_the_whole():
    same, open_ = Shift(name="a", finding=Finding.SAME), Shift(name="b", finding=Finding.CANNOT_TELL)
    changed = Shift(name="c", finding=Finding.CHANGED)
    assert Comparison(shifts=(same,)).finding is Finding.SAME
    assert Comparison(shifts=(same, open_)).finding is Finding.CANNOT_TELL
    assert Comparison(shifts=(same, open_, changed)).finding is Finding.CHANGED


def test_a_quantity_without_a_margin_is_only_reported():
    found = compare_values("reload", {"A": [1.0, 2.0]}, {"A": [3.0, 5.0]}, margin=None)
    assert (found.finding, found.reason) == (Finding.SAME, "not judged: an adjustment sets it")


def test_granularity_and_wrong_margin():
    assert granularity({"A": [1.0, 1.5]}, {"A": [2.75]}) == 0.5
    assert granularity({"A": [1.0]}, {"A": [1.0]}) == 0.0
    with pytest.raises(ValueError, match="a margin must be above zero, not 0"):
        classify(Difference(value=0.0, standard_error=1.0, dof=3), 0)
