"""Whether a fault could be seen at all: it moves something by more than 3 U beyond the range of good units.

    ranges = ranges_of(looks at good units)
    beyond(look at a unit with the fault, ranges, expanded_uncertainty)   # what moved, farthest first; () is invisible

The range of good units is the 99.7 % range of a normal quantity with their mean and standard deviation, widened to the
smallest and largest that was seen among them: what is not normal, such as a yes or no, has no tails to be reckoned.
"""

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

SIGMAS = 2.9677  # of a normal quantity, 99.7 % lie within
TIMES_U = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Where good units lie; `answered` is False when some of them give no answer at all."""

    lower: float
    upper: float
    answered: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """Something that a fault moves: what it shows, the range of good units, and how far it lies beyond, in U.

    `times_u` is infinite for what has no uncertainty (a yes or no) and for an answer that is missing.
    """

    name: str
    value: float
    lower: float
    upper: float
    times_u: float


def ranges_of(looks: Sequence[Mapping[str, float]]) -> dict[str, Range]:
    """Range of each quantity over good units.

    Raises:
        ValueError: fewer than ten looks, which say nothing about a range.
    """
    if len(looks) < 10:
        raise ValueError(f"a range of good units needs at least ten of them, not {len(looks)}")
    found = {}
    for name in looks[0]:
        values = [look[name] for look in looks if not math.isnan(look[name])]
        if len(values) < 2:
            continue
        mean, deviation = statistics.fmean(values), statistics.stdev(values)
        found[name] = Range(
            lower=min(mean - SIGMAS * deviation, *values),
            upper=max(mean + SIGMAS * deviation, *values),
            answered=len(values) == len(looks),
        )
    return found


def beyond(
    look: Mapping[str, float], ranges: Mapping[str, Range], expanded_uncertainty: Callable[[str, float], float]
) -> tuple[Moved, ...]:
    """What a unit shows by more than 3 U beyond the range of good units, the farthest first.

    Args:
        expanded_uncertainty: U of a quantity at a value, by name; 0 for what has none.
    """
    found = []
    for name, good in ranges.items():
        value = look.get(name, math.nan)
        if math.isnan(value):
            if good.answered:
                found.append(Moved(name=name, value=value, lower=good.lower, upper=good.upper, times_u=math.inf))
            continue
        edge, excess = max((good.lower, good.lower - value), (good.upper, value - good.upper), key=lambda pair: pair[1])
        if excess <= 0:
            continue
        u = expanded_uncertainty(name, edge)
        times = excess / u if u > 0 else math.inf
        if times > TIMES_U:
            found.append(Moved(name=name, value=value, lower=good.lower, upper=good.upper, times_u=times))
    return tuple(sorted(found, key=lambda moved: -moved.times_u))
