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
    "the last digit of its U, half to even; values without U, limits and references are given to five significant "
    "digits. Verdicts are made on unrounded values."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A value and its expanded uncertainty as text, in one prefixed unit."""

    value: str
    uncertainty: str  # "" when there is none
    unit: str


def rounded(value: float, uncertainty: float | None, unit: str, *, like: float | None = None) -> Shown:
    """A value and its U as text with one SI prefix.

    Args:
        value: in the unprefixed unit.
        uncertainty: expanded uncertainty U in the same unit; None when none is known.
        like: the prefix is the one that suits this value, so that a row has one unit; default: the value itself.

    Raises:
        ValueError: the value is not finite or the uncertainty not above zero.
    """
    if not math.isfinite(value):
        raise ValueError(f"only a finite value can be rounded, not {value!r}")
    exponent, prefix = prefix_for(value if like is None else like, unit)
    if uncertainty is None:
        return Shown(value=significant(value, exponent), uncertainty="", unit=readable(prefix + unit))
    number, u = round_value(value, uncertainty)
    return Shown(
        value=plain(number.scaleb(-exponent)), uncertainty=plain(u.scaleb(-exponent)), unit=readable(prefix + unit)
    )


def significant(value: float, exponent: int, digits: int = DIGITS_WITHOUT_UNCERTAINTY) -> str:
    """A value in units of 10^exponent with so many significant digits."""
    exact = Decimal(repr(float(value)))
    if exact.is_zero():
        return "0"
    step = Decimal(1).scaleb(exact.adjusted() - digits + 1)
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
