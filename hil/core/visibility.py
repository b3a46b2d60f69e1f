"""Whether a fault could be seen at all: it moves something by more than 3 U beyond the range of good units.

    ranges = ranges_of(looks at good units)
    looked = Looked(ranges=ranges, expanded_uncertainty=…, without=the same unit's value without the fault)
    looked.beyond(look at the unit with the fault)      # what moved, farthest first; () is invisible
    looked.first_beyond(the same, one by one)           # the first of it, when more is not wanted

The range of good units is the 99.7 % range of a normal quantity with their mean and standard deviation, widened to the
smallest and largest that was seen among them: what is not normal, such as a yes or no, has no tails to be reckoned.

Of hundreds of quantities some lie out of such a range in any unit. They are no fault's doing: what the same unit shows
without the fault, to within 3 U, the fault has not moved.
"""

import math
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What a look at a unit with a fault is held against.

    Args:
        ranges: of good units, by quantity.
        expanded_uncertainty: U of a quantity at a value, by name; 0 for what has none.
        without: what the same unit shows without the fault; asked for nothing but what is out of its range.
    """

    ranges: Mapping[str, Range]
    expanded_uncertainty: Callable[[str, float], float]
    without: Callable[[str], float]

    def beyond(self, look: Mapping[str, float]) -> tuple[Moved, ...]:
        """What the fault moves by more than 3 U beyond the range of good units, the farthest first."""
        found = (self._moved(name, look.get(name, math.nan)) for name in self.ranges)
        return tuple(sorted((one for one in found if one is not None), key=lambda moved: -moved.times_u))

    def first_beyond(self, look: Iterable[tuple[str, float]]) -> Moved | None:
        """The first quantity that it so moves, in the order in which they come; None when there is none."""
        found = (self._moved(name, value) for name, value in look if name in self.ranges)
        return next((one for one in found if one is not None), None)

    def _moved(self, name: str, value: float) -> Moved | None:
        good = self.ranges[name]
        if math.isnan(value):
            if not good.answered or math.isnan(self.without(name)):
                return None
            return Moved(name=name, value=value, lower=good.lower, upper=good.upper, times_u=math.inf)
        edge, excess = max((good.lower, good.lower - value), (good.upper, value - good.upper), key=lambda pair: pair[1])
        if excess <= 0:
            return None
        u = self.expanded_uncertainty(name, edge)
        if excess <= TIMES_U * u or abs(value - self.without(name)) <= TIMES_U * u:
            return None
        return Moved(
            name=name, value=value, lower=good.lower, upper=good.upper, times_u=excess / u if u > 0 else math.inf
        )
