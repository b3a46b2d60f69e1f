"""Limits cannot exist wrong."""

import math

import pytest

from hil.core.limit import Limit, Rule, Tolerance, Zone


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({}, "nothing is limited"),
        ({"lower": 2.0, "upper": 1.0}, "lower 2 is above upper 1"),
        ({"lower": math.nan}, "lower must be a finite number"),
        ({"upper": math.inf}, "upper must be a finite number"),
        ({"unit": "Volt", "upper": 1.0}, "the unit 'Volt' is not known"),
        ({"expected": True, "upper": 1.0}, "'expected' stands alone"),
        ({"tolerance": Tolerance(relative=0.1)}, "a tolerance needs a nominal value or a part"),
    ],
)
def test_contradictions(arguments, said):
    with pytest.raises(ValueError, match=said):
        Limit(name="a", **arguments)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"kind": "guess"}, "rule 'guess' is not known"),
        ({"kind": "guard_band", "r": -0.1}, "r must be zero or more"),
        ({"kind": "specific_risk"}, "needs max_risk"),
        ({"kind": "specific_risk", "max_risk": 0.7}, "between 0 and 0.5"),
        ({"kind": "global_risk", "max_risk": 0.02}, "needs process_sd"),
        ({"kind": "global_risk", "max_risk": 0.02, "process_sd": 0.0}, "process_sd must be more than zero"),
        ({"risk": "both"}, "'joint' or 'conditional'"),
        ({"repeats": 0}, "repeats must be 1 or more"),
    ],
)
def test_rules_that_cannot_be(arguments, said):
    with pytest.raises(ValueError, match=said):
        Rule(**arguments)


def test_zone():
    assert 1.0 in Zone(lower=1.0, upper=2.0)
    assert 2.0 in Zone(lower=1.0, upper=2.0)
    assert 2.0000001 not in Zone(lower=1.0, upper=2.0)
    assert math.nan not in Zone(lower=None, upper=None)
    assert math.inf in Zone(lower=1.0, upper=None)
    assert Zone(lower=2.0, upper=1.0).is_empty


def test_around_another_reference_keeps_the_tolerance():
    limit = Limit(name="a", unit="H", nominal=1e-3, tolerance=Tolerance(relative=0.015, absolute=0.05e-6))
    moved = limit.around(-2e-3)
    assert moved.lower == pytest.approx(-2e-3 - 30.05e-6)
    assert moved.upper == pytest.approx(-2e-3 + 30.05e-6)
    fixed = Limit(name="b", upper=1.0).around(0.5)
    assert (fixed.nominal, fixed.upper, fixed.lower) == (0.5, 1.0, None)


def test_tolerance_of_nothing():
    with pytest.raises(ValueError, match="accepts nothing"):
        Tolerance()
    with pytest.raises(ValueError, match="zero or more"):
        Tolerance(relative=-0.1)


@pytest.mark.parametrize(
    ("limit", "centre"),
    [
        (Limit(name="x", nominal=100.0, lower=90.0, upper=120.0), 100.0),
        (Limit(name="x", lower=4.9, upper=5.1), 5.0),
        (Limit(name="x", upper=2.0), 2.0),
        (Limit(name="x", lower=-2.0), -2.0),
    ],
)
def test_centre(limit, centre):
    assert limit.centre == pytest.approx(centre)
