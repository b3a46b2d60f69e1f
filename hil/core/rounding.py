"""One rule of rounding for everything that leaves the house (GUM 7.2.2, 7.2.6).

The expanded uncertainty is rounded **up** to two significant digits, so that rounding never makes a claim narrower;
only what is at most a tenth of the last digit kept is dropped (the GUM rounds 10.47 mΩ to 11 mΩ, but 28.05 kHz to
28 kHz). The value is rounded to the same decimal place, half to even. Calculation is in decimals: 1.005 is not a
little less than itself.
"""

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

DIGITS = 2
SLACK = Decimal("0.1")  # of the last digit kept: what may be dropped without rounding up


def round_uncertainty(uncertainty: float, *, digits: int = DIGITS) -> Decimal:
    """Round an uncertainty up to so many significant digits.

    Raises:
        ValueError: not more than zero, or not finite.
    """
    exact = Decimal(repr(float(uncertainty)))
    if not exact.is_finite() or exact <= 0:
        raise ValueError(f"an uncertainty to be rounded must be more than zero, not {uncertainty!r}")
    place = Decimal(1).scaleb(exact.adjusted() - (digits - 1))
    rounded = (exact - SLACK * place).quantize(place, rounding=ROUND_CEILING)
    if rounded.adjusted() > exact.adjusted():  # 9.96 became 10.0: one digit too many
        rounded = rounded.quantize(place.scaleb(1))
    return rounded


def round_value(value: float, uncertainty: float, *, digits: int = DIGITS) -> tuple[Decimal, Decimal]:
    """Value and uncertainty, rounded to the same place."""
    rounded = round_uncertainty(uncertainty, digits=digits)
    place = Decimal(1).scaleb(int(rounded.as_tuple().exponent))
    return Decimal(repr(float(value))).quantize(place, rounding=ROUND_HALF_EVEN), rounded


def concise(value: float, uncertainty: float, *, digits: int = DIGITS) -> str:
    """``100.02147(35)``: the digits in brackets are the uncertainty of the last digits (GUM 7.2.2)."""
    shown, rounded = round_value(value, uncertainty, digits=digits)
    exponent = int(rounded.as_tuple().exponent)
    inside = f"{rounded.scaleb(-exponent):f}" if exponent < 0 else f"{rounded:f}"
    return f"{shown:f}({inside})"


def plus_minus(value: float, uncertainty: float, *, digits: int = DIGITS) -> str:
    """``100.02147 ± 0.00035``."""
    shown, rounded = round_value(value, uncertainty, digits=digits)
    return f"{shown:f} ± {rounded:f}"
