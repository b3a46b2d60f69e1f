"""Preferred values of IEC 60063: the E series, and a value's neighbours in one.

E3 to E24 are a table (eight of its values differ from the rounded geometric ones); E48, E96 and E192 are powers of
ten rounded to three digits, with the one exception that the standard prints 9.20 where rounding gives 9.19.
"""

import math

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
_FINE = tuple(920 if step == 185 else round(100 * 10 ** (step / 192)) for step in range(192))

SERIES = {
    **{name: tuple(n / 10 for n in _E24[::step]) for name, step in (("E3", 8), ("E6", 4), ("E12", 2), ("E24", 1))},
    **{name: tuple(n / 100 for n in _FINE[::step]) for name, step in (("E48", 4), ("E96", 2), ("E192", 1))},
}
"""Values of one decade, 1 to below 10, by the name of the series."""


def neighbours(value: float, series: str) -> tuple[float, float]:
    """The next smaller and the next larger preferred value.

    Raises:
        ValueError: an unknown series, or a value that is not above zero.
    """
    if series not in SERIES:
        raise ValueError(f"there is no series {series!r}; known: {', '.join(SERIES)}")
    if not value > 0:
        raise ValueError(f"a preferred value is above zero, not {value!r}")
    decade = math.floor(math.log10(value) + 1e-9)
    near = [step * 10.0**power for power in (decade - 1, decade, decade + 1) for step in SERIES[series]]
    below = max(candidate for candidate in near if candidate < value * (1 - 1e-6))
    above = min(candidate for candidate in near if candidate > value * (1 + 1e-6))
    return below, above


def series_of(value: float) -> str | None:
    """The coarsest series that has the value; None when none has."""
    mantissa = value / 10.0 ** math.floor(math.log10(value) + 1e-9)
    for name, steps in SERIES.items():
        if any(abs(step - mantissa) < 1e-6 for step in steps):
            return name
    return None
