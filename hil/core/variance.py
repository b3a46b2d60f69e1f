"""Components of variance with their intervals: weighted sums of mean squares.

Modified large sample method (Burdick, Borror & Montgomery, Design and Analysis of Gauge R&R Studies, 2005, chapter 2:
Graybill-Wang bounds for sums, Ting et al. for differences; from memory). Exact for a single mean square.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

Squares = Mapping[str, tuple[float, int]]  # name -> mean square, degrees of freedom
Weights = Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One component of variance with its confidence interval; negative estimates are set to zero."""

    name: str
    variance: float
    lower: float
    upper: float

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return math.sqrt(self.variance)


def weighted(name: str, weights: Weights, squares: Squares, confidence: float) -> Component:
    """A weighted sum of mean squares as a component, with its interval."""
    alpha = (1 - confidence) / 2
    estimate = sum(weight * squares[key][0] for key, weight in weights.items())
    terms = [(weight, *squares[key]) for key, weight in weights.items() if weight != 0]
    below = above = 0.0
    for weight, square, dof in terms:
        shrink, grow = _steps(alpha, dof)
        down, up = (shrink, grow) if weight > 0 else (grow, shrink)
        below += (down * weight * square) ** 2
        above += (up * weight * square) ** 2
    for weight_p, square_p, dof_p in terms:  # cross terms of one positive with one negative mean square
        for weight_n, square_n, dof_n in terms:
            if weight_p > 0 > weight_n:
                product = weight_p * square_p * -weight_n * square_n
                lower, upper = _cross(alpha, dof_p, dof_n)
                below += lower * product
                above += upper * product
    low, high = estimate - math.sqrt(max(below, 0.0)), estimate + math.sqrt(max(above, 0.0))
    return Component(name=name, variance=max(estimate, 0.0), lower=max(low, 0.0), upper=max(high, 0.0))


# Twenty checks of one study ask for the same few quantiles.
@lru_cache(maxsize=256)
def _steps(alpha: float, dof: int) -> tuple[float, float]:
    """Relative steps of one mean square: down to its lower bound, and up to its upper one."""
    from scipy import special  # late: costs a quarter of a second

    return 1 - dof / float(special.chdtri(dof, alpha)), dof / float(special.chdtri(dof, 1 - alpha)) - 1


@lru_cache(maxsize=256)
def _cross(alpha: float, dof_p: int, dof_n: int) -> tuple[float, float]:
    """What one positive and one negative mean square add to the squared steps down and up."""
    from scipy import special

    shrink_p, grow_p = _steps(alpha, dof_p)
    shrink_n, grow_n = _steps(alpha, dof_n)
    high, low = (float(special.fdtri(dof_p, dof_n, level)) for level in (1 - alpha, alpha))
    return (
        ((high - 1) ** 2 - shrink_p**2 * high**2 - grow_n**2) / high,
        ((1 - low) ** 2 - grow_p**2 * low**2 - shrink_n**2) / low,
    )
