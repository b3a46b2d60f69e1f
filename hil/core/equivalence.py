"""Equivalence of two things measured with spread: is the difference surely within a margin, surely outside, or open?

Two one-sided tests (TOST) at 5 % each; the same is said by the 90 % interval of the difference lying within the
margin. Power of these tests is integrated exactly over the distribution of the sample spread. Sources: D. Schuirmann,
J. Pharmacokin. Biopharm. 15 (1987) 657 (TOST, from memory); K. Phillips, ibid. 18 (1990) 137 (power, from memory);
S. Holm, Scand. J. Statist. 6 (1979) 65 (from memory); J. M. Bland, D. G. Altman, Lancet 1986;i:307 (agreement).
Published figures that these reproduce: tests/unit/core/test_equivalence.py.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)
ONE_SIDED = 0.05  # each of the two tests; the interval is then one of 90 %


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A difference with its standard error, all in one unit.

    Args:
        dof: degrees of freedom of the standard error; 0.0 when nothing is known of the spread.
    """

    value: float
    standard_error: float
    dof: float

    def t(self, one_sided: float = ONE_SIDED) -> float:
        """Student's factor for a one-sided level."""
        return float(special.stdtrit(self.dof, 1 - one_sided)) if self.dof > 0 else math.inf

    def interval(self, one_sided: float = ONE_SIDED) -> tuple[float, float]:
        """The two-sided interval at 1 − 2·one_sided; infinite without degrees of freedom."""
        half = 0.0 if self.standard_error == 0 else self.t(one_sided) * self.standard_error
        if self.dof <= 0:
            half = math.inf
        return self.value - half, self.value + half

    def p_above(self, bound: float) -> float:
        """One-sided p-value for "the difference is at most `bound`"."""
        if self.dof <= 0:
            return 1.0
        if self.standard_error == 0:
            return 0.0 if self.value > bound else 1.0
        return float(special.stdtr(self.dof, (bound - self.value) / self.standard_error))

    def p_equivalent(self, margin: float) -> float:
        """p-value of the two one-sided tests for "the difference is at least `margin`, up or down"."""
        below = Difference(value=-self.value, standard_error=self.standard_error, dof=self.dof)
        return max(self.p_above(-margin), below.p_above(-margin))

    def p_beyond(self, margin: float) -> float:
        """p-value for "the difference is at most `margin`, up or down"; small: it is surely beyond."""
        size = Difference(value=abs(self.value), standard_error=self.standard_error, dof=self.dof)
        return size.p_above(margin)

    def p_zero(self) -> float:
        """Two-sided p-value for "there is no difference"."""
        return min(1.0, 2 * self.p_beyond(0.0))


def paired(differences: Sequence[float], *, floor: float = 0.0) -> Difference:
    """Mean of paired differences.

    Args:
        floor: standard deviation below which that of the differences is not believed; where it takes over, it is
            known and not seen, and the degrees of freedom are those of what was seen of it.

    Raises:
        ValueError: no difference.
    """
    if not differences:
        raise ValueError("a mean needs at least one difference")
    count = len(differences)
    spread = float(np.std(differences, ddof=1)) if count > 1 else 0.0
    return Difference(
        value=math.fsum(differences) / count,
        standard_error=max(spread, floor) / math.sqrt(count),
        dof=_dof_with_floor(spread, floor, count - 1),
    )


def _dof_with_floor(spread: float, floor: float, dof: int) -> float:
    """Degrees of freedom of a variance of which `spread`² was seen and the rest, up to `floor`², is known.

    Welch-Satterthwaite (JCGM 100:2008, G.4.1) with infinitely many for the known part (G.4.3). It keeps the level of
    the one-sided tests: at most 5.0 % from three differences on, 6.4 % with two (tests/unit/core/test_equivalence.py).
    """
    if dof < 1 or spread >= floor:
        return float(dof)
    return dof * (floor / spread) ** 4 if spread > floor * 1e-3 else math.inf


def unpaired(
    first: Sequence[float], second: Sequence[float], *, floor: float = 0.0, equal_spread: bool = False
) -> Difference:
    """Mean of `second` less mean of `first` (Welch, or with pooled spread).

    Raises:
        ValueError: fewer than two values on one side.
    """
    if len(first) < 2 or len(second) < 2:
        raise ValueError("the spread of repeats needs two of them on each side")
    counts = len(first), len(second)
    seen = [float(np.std(one, ddof=1)) for one in (first, second)]
    spreads = [max(one, floor) ** 2 for one in seen]
    value = math.fsum(second) / counts[1] - math.fsum(first) / counts[0]
    if equal_spread:
        dof = float(sum(counts) - 2)
        pooled = sum((count - 1) * spread for count, spread in zip(counts, spreads, strict=True)) / dof
        return Difference(value=value, standard_error=math.sqrt(pooled * (1 / counts[0] + 1 / counts[1])), dof=dof)
    shares = [spread / count for spread, count in zip(spreads, counts, strict=True)]
    total = sum(shares)
    if total == 0:
        return Difference(value=value, standard_error=0.0, dof=float(sum(counts) - 2))
    each = [_dof_with_floor(one, floor, count - 1) for one, count in zip(seen, counts, strict=True)]
    against = sum(share**2 / dof for share, dof in zip(shares, each, strict=True))
    return Difference(value=value, standard_error=math.sqrt(total), dof=total**2 / against if against else math.inf)


def power_same(*, shift: float, standard_error: float, dof: float, margin: float) -> float:
    """Chance that the 90 % interval will lie within ±`margin`, given the true shift and standard error.

    Integrated over the chi distribution of the sample spread (Phillips 1990), no approximation but the quadrature.
    """
    if dof <= 0:
        return 0.0
    if standard_error <= 0:
        return 1.0 if abs(shift) < margin else 0.0
    t = float(special.stdtrit(dof, 1 - ONE_SIDED))
    # Above this ratio of sample spread to true spread the interval is wider than the margins.
    largest = min(margin / (standard_error * t), 1 + 10 / math.sqrt(dof))
    ratio = (_NODES + 1) * largest / 2
    upper = special.ndtr((margin - shift) / standard_error - t * ratio)
    lower = special.ndtr((-margin - shift) / standard_error + t * ratio)
    log_constant = math.log(2) + dof / 2 * math.log(dof / 2) - math.lgamma(dof / 2)
    density = np.exp(log_constant + (dof - 1) * np.log(ratio) - dof * ratio**2 / 2)  # of the ratio: chi/√dof
    chance = float(np.sum(_WEIGHTS * (upper - lower) * density)) * largest / 2
    return min(1.0, max(0.0, chance))


def power_changed(*, shift: float, standard_error: float, dof: float, margin: float) -> float:
    """Chance that the 90 % interval will lie wholly beyond ±`margin`, on the side of the true shift."""
    if dof <= 0:
        return 0.0
    if standard_error <= 0:
        return 1.0 if abs(shift) > margin else 0.0
    t = float(special.stdtrit(dof, 1 - ONE_SIDED))
    away = min(40.0, max(-40.0, (abs(shift) - margin) / standard_error))  # beyond that it is certain anyway
    return float(1 - special.nctdtr(dof, away, t))


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """p-values adjusted for their number by Holm's step-down procedure, in the given order."""
    adjusted = [1.0] * len(p_values)
    running = 0.0
    for rank, place in enumerate(sorted(range(len(p_values)), key=lambda index: p_values[index])):
        running = max(running, (len(p_values) - rank) * p_values[place])
        adjusted[place] = min(1.0, running)
    return tuple(adjusted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Limits of agreement (Bland and Altman 1986): where nearly all single differences lie, with 95 % intervals."""

    mean: float
    spread: float
    lower: float
    upper: float
    mean_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]


def agreement(differences: Sequence[float], *, factor: float = 1.96) -> Agreement:
    """Mean ± `factor` standard deviations of the differences; the paper uses 2, common practice is 1.96.

    Raises:
        ValueError: fewer than two differences.
    """
    if len(differences) < 2:
        raise ValueError("limits of agreement need at least two differences")
    count = len(differences)
    mean, spread = math.fsum(differences) / count, float(np.std(differences, ddof=1))
    t = float(special.stdtrit(count - 1, 0.975))
    half, limit_half = t * spread / math.sqrt(count), t * spread * math.sqrt(3 / count)
    lower, upper = mean - factor * spread, mean + factor * spread
    return Agreement(
        mean=mean,
        spread=spread,
        lower=lower,
        upper=upper,
        mean_interval=(mean - half, mean + half),
        lower_interval=(lower - limit_half, lower + limit_half),
        upper_interval=(upper - limit_half, upper + limit_half),
    )
