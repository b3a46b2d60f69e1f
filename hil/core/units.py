"""Values with units: "4.7 nF" <-> 4.7e-9, "F". The only place that knows SI prefixes.

Grammar of a quantity: NUMBER [space] [PREFIX] UNIT, where UNIT is one of `UNITS`; percent and ppm are pure ratios
(``"2 %"`` is 0.02). All values inside the program are in unprefixed SI units (and degC).
"""

import math
import re

UNITS = ("F", "H", "Hz", "V", "A", "ohm", "s", "degC", "K", "W", "S", "B", "Bd", "1/K", "F/a", "")
PREFIXES = {
    "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0,
    "k": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip
_SHOWN_PREFIXES = ((1e-15, "f"), (1e-12, "p"), (1e-9, "n"), (1e-6, "µ"), (1e-3, "m"), (1.0, ""), (1e3, "k"), (1e6, "M"))
_RATIOS = {"%": 100, "ppm": 1_000_000, "ppm/K": 1_000_000, "%/K": 100}  # divisors: exact powers of ten
_WITHOUT_PREFIX = {"degC", "K", "1/K", ""}
_QUANTITY = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.ASCII)


def parse_quantity(text: str) -> tuple[float, str]:
    """Read ``"4.7 nF"`` as ``(4.7e-9, "F")``; ``"2 %"`` as ``(0.02, "")``; ``"30 ppm/K"`` as ``(3e-5, "1/K")``.

    Raises:
        ValueError: no number, or a unit that is not in `UNITS`.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a value with a unit; write it like '4.7 nF'")
    number, suffix = float(match[1]), match[2].replace("Ω", "ohm").replace("°C", "degC").replace("±", "")
    if suffix in _RATIOS:
        return number / _RATIOS[suffix], "1/K" if suffix.endswith("/K") else ""
    for unit in sorted(UNITS, key=len, reverse=True):
        if not suffix.endswith(unit):
            continue
        prefix = suffix[: len(suffix) - len(unit)]
        if prefix == "" or (prefix in PREFIXES and unit not in _WITHOUT_PREFIX):
            # Dividing by an exact power of ten gives the nearest double: 4.7 / 1e9, not 4.7 * 1e-9.
            factor = PREFIXES[prefix]
            return (number * factor if factor >= 1 else number / round(1 / factor)), unit
    raise ValueError(f"{text!r} has no known unit; known: {', '.join(u for u in UNITS if u)}, %, ppm")


def quantity(text: str, unit: str) -> float:
    """Read a value that must have the given unit, in unprefixed units.

    Raises:
        ValueError: not a value with a unit, or another unit.
    """
    value, found = parse_quantity(text)
    if found != unit:
        raise ValueError(f"{text!r} has the unit {found or 'none (a ratio)'}, but {unit or 'a ratio'} is needed")
    return value


def show(value: float | None, unit: str, digits: int = 5) -> str:
    """Write a value with an SI prefix for people: ``show(4.7e-9, "F")`` is ``"4.7000 nF"``.

    ``digits`` are significant digits. Rounding comes before the prefix is chosen, so 999.96 pF shown with four
    digits is ``1.000 nF``. None, infinity and NaN read "—", "infinite" and "not a number".
    """
    if value is None:
        return "—"
    if math.isnan(value):
        return "not a number"
    if math.isinf(value):
        return "infinite" if value > 0 else "minus infinite"
    rounded = float(f"{value:.{digits - 1}e}")
    scale, prefix = 1.0, ""
    if unit not in _WITHOUT_PREFIX and rounded != 0:
        for candidate, name in _SHOWN_PREFIXES:
            if abs(rounded) >= candidate * (1 - 1e-12):
                scale, prefix = candidate, name
    number = rounded / scale
    exponent = math.floor(math.log10(abs(number))) if number else 0
    decimals = max(0, digits - 1 - exponent)
    return f"{number:.{min(decimals, 12)}f} {prefix}{unit}".rstrip()


def prefix_for(value: float, unit: str) -> tuple[int, str]:
    """Power of ten and SI prefix in which a value reads best: ``(-12, "p")`` for 4.7e-11 F; ``(0, "")`` for zero."""
    if unit in _WITHOUT_PREFIX or not math.isfinite(value) or value == 0:
        return 0, ""
    best = _SHOWN_PREFIXES[0]
    for scale, name in _SHOWN_PREFIXES:
        if abs(value) >= scale * (1 - 1e-12):
            best = (scale, name)
    return round(math.log10(best[0])), best[1]
