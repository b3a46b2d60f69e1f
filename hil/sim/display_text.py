"""The meter's display lines: engineering units with four significant digits, rounded before the unit is chosen.

Below 100 of the smallest unit (pF, uH) two decimals are shown. The display knows ASCII only, so micro is ``u``.
Calculated in 32-bit floats, as the firmware does.
"""

from numpy import float32

_UNITS = {
    "C": ((float32(1e12), "pF"), (float32(1e9), "nF"), (float32(1e6), "uF")),
    "L": ((float32(1e6), "uH"), (float32(1e3), "mH")),
}
_FULL = 10_000  # four digits
_DECIMALS_SMALLEST_UNIT = (2, 1)
_DECIMALS = (3, 2, 1)
OVER = {"C": float32(1.1e-6), "L": float32(110e-3)}  # above this the display says OVER


def engineering(value: float | float32, letter: str) -> str:
    """``C=12.00 nF`` from 12e-9 and "C"; ``letter`` is "C" (value in F) or "L" (in H)."""
    plain = float32(value)
    sign, magnitude = ("-" if plain < 0 else ""), abs(plain)
    for place, (factor, unit) in enumerate(_UNITS[letter]):
        scaled = magnitude * factor
        for decimals in _DECIMALS if place else _DECIMALS_SMALLEST_UNIT:
            digits = int(scaled * float32(10**decimals) + float32(0.5))
            if digits < _FULL:
                text = f"{digits:0{decimals + 1}d}"
                return f"{letter}={sign if digits else ''}{text[:-decimals]}.{text[-decimals:]} {unit}"
    return f"{letter}=OVER"


def first_line(value: float | float32, letter: str) -> str:
    """Line 1: the reading, ``C=----`` for NaN, ``C=OVER`` above the range."""
    if value != value:
        return f"{letter}=----"
    if value > OVER[letter]:
        return f"{letter}=OVER"
    return engineering(value, letter)


def battery_line(pack_v: float | float32) -> str:
    """Line 2: ``BAT 7.41V``."""
    return f"BAT {float(pack_v):.2f}V"
