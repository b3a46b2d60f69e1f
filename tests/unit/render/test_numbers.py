"""Numbers as people read them."""

import math

import pytest

from hil.render.numbers import Scale, rounded, scale_for, short, signed, significant

PICO, ONE, PPM = Scale(exponent=-12, unit="pF"), Scale(exponent=0, unit="V"), Scale(exponent=-6, unit="ppm")


@pytest.mark.parametrize(
    ("value", "unit", "scale"),
    [
        (47e-12, "F", PICO),
        (999.9e-12, "F", PICO),
        (1e-9, "F", Scale(exponent=-9, unit="nF")),
        (0.0, "V", ONE),
        (4700.0, "ohm", Scale(exponent=3, unit="kΩ")),
        (23.0, "degC", Scale(exponent=0, unit="°C")),
        (20e-6, "", PPM),
        (1e-3, "", PPM),
        (0.03, "", Scale(exponent=-2, unit="%")),
        (0.4, "", Scale(exponent=0, unit="")),
        (math.inf, "", Scale(exponent=0, unit="")),
    ],
)
def test_the_scale_suits_the_value(value: float, unit: str, scale: Scale) -> None:
    assert scale_for(value, unit) == scale


def test_a_value_ends_where_its_uncertainty_ends() -> None:
    assert rounded(100.2837e-12, 0.2312e-12, PICO) == ("100.28", "0.24")  # 0.2312 is not 0.23: never understated
    assert rounded(100.2837e-12, 0.2305e-12, PICO) == ("100.28", "0.23")  # at most a tenth of the last digit is dropped
    assert rounded(5.00715, 0.0012, ONE) == ("5.0072", "0.0012")
    assert rounded(-4.44e-6, 1.2e-6, PPM) == ("−4.4", "1.2")


def test_half_a_last_digit_goes_to_the_even_one() -> None:
    assert rounded(5.00125, 0.0012, ONE)[0] == "5.0012"
    assert rounded(5.00135, 0.0012, ONE)[0] == "5.0014"


def test_without_uncertainty_a_value_is_no_finer_than_what_it_stands_beside() -> None:
    assert rounded(0.109, None, ONE, beside=1.0) == ("0.1090", "")
    assert rounded(-0.0000523, None, ONE, beside=0.5025) == ("−0.00005", "")
    assert significant(611_234.4, 3) == "611.23"
    assert significant(0.0, 0) == "0"


def test_a_negative_value_that_rounds_to_nothing_has_no_sign() -> None:
    assert rounded(-0.0001, 0.01, ONE)[0] == "0.000"
    assert significant(-1e-9, 0, beside=1.0) == "0.0000"


def test_limits_lose_zeros_at_the_end_but_not_before_the_point() -> None:
    assert short(5.0, 0) == "5"
    assert short(100.0, 0) == "100"
    assert short(0.98 * 5, 0) == "4.9"
    assert short(1.3e-7, -9) == "130"


def test_signs() -> None:
    assert [signed(text) for text in ("1.2", "−1.2", "0.00", "0")] == ["+1.2", "−1.2", "0.00", "0"]


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_only_finite_values_are_rounded(value: float) -> None:
    with pytest.raises(ValueError, match="only a finite value can be rounded"):
        rounded(value, 1.0, ONE)
