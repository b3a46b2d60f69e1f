"""The one rule of rounding."""

from decimal import Decimal

import pytest

from hil.core.rounding import concise, plus_minus, round_uncertainty, round_value


@pytest.mark.published("7.2.2 rounding of uncertainties and values", source="JCGM 100:2008", how="from memory")
def test_rounding_of_the_guide():
    assert round_uncertainty(10.47) == Decimal("11")
    assert round_uncertainty(28.05) == Decimal("28")
    assert round_value(10.05762, 0.027) == (Decimal("10.058"), Decimal("0.027"))


@pytest.mark.published("7.2.2, 7.2.4 ways of writing a result", source="JCGM 100:2008", how="from memory")
def test_notation_of_the_guide():
    assert concise(100.02147, 0.35e-3) == "100.02147(35)"
    assert plus_minus(100.02147, 0.35e-3) == "100.02147 ± 0.00035"
    assert plus_minus(100.02147, 2.26 * 0.35e-3) == "100.02147 ± 0.00079"


@pytest.mark.parametrize(
    ("uncertainty", "rounded"),
    [(9.96, "10"), (0.0996, "0.10"), (9.92, "10"), (9.91, "9.9"), (0.102, "0.11"), (0.10001, "0.10"), (1234, "1300")],
)
def test_uncertainties_are_rounded_up(uncertainty, rounded):
    assert format(round_uncertainty(uncertainty), "f") == rounded


def test_values_are_rounded_half_to_even_in_decimals():
    assert str(round_value(1.005, 0.10)[0]) == "1.00"
    assert str(round_value(2.675, 0.10)[0]) == "2.68"  # in binary 2.675 lies below
    assert str(round_value(2.665, 0.10)[0]) == "2.66"


def test_large_uncertainties_round_before_the_point():
    assert plus_minus(1234567, 1234) == "1234600 ± 1300"
    assert concise(1234567, 1234) == "1234600(1300)"


@pytest.mark.parametrize("wrong", [0.0, -1.0, float("nan"), float("inf")])
def test_no_rounding_without_uncertainty(wrong):
    with pytest.raises(ValueError, match="an uncertainty to be rounded must be more than zero, not"):
        round_uncertainty(wrong)
