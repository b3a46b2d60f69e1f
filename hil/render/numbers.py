"""Numbers as people read them: rounded by the rule of `hil.core.rounding`, with one SI prefix a row.

Decimal arithmetic from the float on: a prefix moves the point and never a digit.
"""

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from hil.core.rounding import round_value
from hil.core.units import prefix_for

DIGITS_WITHOUT_UNCERTAINTY = 5
RULE = (
    "U is rounded up to two significant digits (at most a tenth of the last digit is dropped); a value is rounded to "
    "the last digit of its U, half to even; limits, references and values without U are given to five digits, a "
    "value no finer than what it stands beside. Verdicts are made on unrounded values."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """The power of ten that a row is shown in, and its unit as it is printed."""

    exponent: int
    unit: str


def scale_for(value: float, unit: str) -> Scale:
    """The scale that suits a value: an SI prefix; for pure ratios %, and ppm below a thousandth."""
    if unit != "":
        exponent, prefix = prefix_for(value, unit)
        return Scale(exponent=exponent, unit=readable(prefix + unit))
    size = abs(value)
    if size == 0 or size > 0.1 or not math.isfinite(size):
        return Scale(exponent=0, unit="")
    return Scale(exponent=-2, unit="%") if size > 1e-3 else Scale(exponent=-6, unit="ppm")


def rounded(value: float, uncertainty: float | None, scale: Scale, *, beside: float = 0.0) -> tuple[str, str]:
    """A value and its U as texts; the second is empty when there is no U.

    Args:
        uncertainty: expanded uncertainty U in the unit of the value; None when none is known.
        beside: the limit or reference the value stands beside: without U it is given to the same place.

    Raises:
        ValueError: the value is not finite or the uncertainty not above zero.
    """
    if not math.isfinite(value):
        raise ValueError(f"only a finite value can be rounded, not {value!r}")
    if uncertainty is None:
        return significant(value, scale.exponent, beside=beside), ""
    number, u = round_value(value, uncertainty)
    return plain(number.scaleb(-scale.exponent)), plain(u.scaleb(-scale.exponent))


def significant(value: float, exponent: int, *, beside: float = 0.0) -> str:
    """A value in units of 10^exponent, to the fifth digit of the larger of it and what it stands beside."""
    exact = Decimal(repr(float(value)))
    largest = max(abs(exact), abs(Decimal(repr(float(beside)))))
    if exact.is_zero() or largest.is_zero():
        return "0"
    step = Decimal(1).scaleb(largest.adjusted() - DIGITS_WITHOUT_UNCERTAINTY + 1)
    return plain(exact.quantize(step, ROUND_HALF_EVEN).scaleb(-exponent))


def short(value: float, exponent: int) -> str:
    """The same without zeros at the end, for limits and references."""
    text = significant(value, exponent)
    return text.rstrip("0").rstrip(".") if "." in text else text


def plain(number: Decimal) -> str:
    """Digits without an exponent, with a real minus sign and never a negative zero."""
    text = f"{number:f}"
    return text.lstrip("-") if number.is_zero() else text.replace("-", "−")


def signed(text: str) -> str:
    """The text of a number with a plus sign where it is above zero."""
    return text if text.startswith("−") or not text.strip("0.") else f"+{text}"


def readable(unit: str) -> str:
    """A unit as it is printed."""
    return unit.replace("ohm", "Ω").replace("degC", "°C")
