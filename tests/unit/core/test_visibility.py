"""What is beyond the range of good units by more than 3 U."""

import math
import random

import pytest

from hil.core.visibility import SIGMAS, Looked, ranges_of


def looks(**values):
    return [dict(zip(values, one, strict=True)) for one in zip(*values.values(), strict=True)]


DICE = random.Random(1)
GOOD = looks(
    volt=[5 + 0.01 * DICE.gauss(0, 1) for _ in range(400)],
    lit=[1.0] * 400,
    silent=[math.nan] * 200 + [1.0] * 200,
)
RANGES = ranges_of(GOOD)


WITHOUT = {"volt": 5.0, "lit": 1.0, "silent": 1.0}


def beyond(look, without=WITHOUT):
    """What is found among all, which begins with what is found first."""
    looked = Looked(
        ranges=RANGES,
        expanded_uncertainty=lambda name, value: 0.0 if name == "lit" else 0.001,
        without=without.__getitem__,
    )
    found = looked.beyond(look)
    first = looked.first_beyond(look.items())
    assert first in found if found else first is None
    return found


def test_the_range_of_a_normal_quantity_holds_997_of_1000():
    within = sum(
        RANGES["volt"].lower <= 5 + 0.01 * random.Random(number).gauss(0, 1) <= RANGES["volt"].upper
        for number in range(20_000)
    )
    assert within / 20_000 == pytest.approx(0.997, abs=0.002)
    assert pytest.approx(2.9677, abs=1e-4) == SIGMAS


def test_it_takes_more_than_3_u():
    edge = RANGES["volt"].upper
    assert beyond({"volt": edge + 0.0029, "lit": 1.0, "silent": 1.0}) == ()
    (moved,) = beyond({"volt": edge + 0.0031, "lit": 1.0, "silent": 1.0})
    assert (moved.name, moved.times_u) == ("volt", pytest.approx(3.1))


def test_below_as_above():
    (moved,) = beyond({"volt": 4.0, "lit": 1.0, "silent": 1.0})
    assert moved.times_u == pytest.approx((RANGES["volt"].lower - 4.0) / 0.001)


def test_a_yes_or_no_has_no_uncertainty():
    (moved,) = beyond({"volt": 5.0, "lit": 0.0, "silent": 1.0})
    assert (moved.name, moved.times_u) == ("lit", math.inf)


def test_a_missing_answer_counts_where_good_units_answer():
    found = beyond({"volt": math.nan, "lit": 1.0, "silent": math.nan})
    assert [moved.name for moved in found] == ["volt"]


def test_the_farthest_comes_first():
    found = beyond({"volt": 6.0, "lit": 0.0, "silent": 1.0})
    assert [moved.name for moved in found] == ["lit", "volt"]


def test_what_the_unit_shows_without_the_fault_as_well_is_not_moved():
    edge = RANGES["volt"].upper
    look = {"volt": edge + 0.010, "lit": 0.0, "silent": 1.0}
    assert beyond(look, {"volt": edge + 0.0075, "lit": 0.0, "silent": 1.0}) == ()
    (moved,) = beyond(look, {"volt": edge + 0.0065, "lit": 0.0, "silent": 1.0})
    assert moved.name == "volt"
    assert beyond(look | {"volt": math.nan}, {"volt": math.nan, "lit": 0.0, "silent": 1.0}) == ()


def test_too_few_good_units():
    with pytest.raises(ValueError, match="a range of good units needs at least ten of them, not 3"):
        ranges_of(GOOD[:3])
