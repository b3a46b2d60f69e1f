"""What repeated readings say: straight lines with uncertainty, variance within and between groups.

Line fits are those of the GUM Tree Calculator; a `Line` also predicts, with the correlation of its two parameters.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hil.core.uncertain_numbers import gtc


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """y = intercept + slope·x with standard uncertainties, covariance and degrees of freedom of both."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    dof: float | None  # None: infinite, when the uncertainties of the points were given

    def predict(self, x: float) -> tuple[float, float]:
        """Point of the line at x and its standard uncertainty, not that of a further reading."""
        variance = self.u_intercept**2 + (x * self.u_slope) ** 2 + 2 * x * self.covariance
        return self.intercept + self.slope * x, math.sqrt(max(0.0, variance))


def fit_line(x: Sequence[float], y: Sequence[float], u: Sequence[float] | None = None) -> Line:
    """Least squares; uncertainties from the residuals (n − 2 degrees of freedom), or from the ``u`` of the points.

    Raises:
        ValueError: fewer points than a line needs (three, or two when their u is given), or all at one x.
    """
    least = 3 if u is None else 2
    if len(x) != len(y) or len(x) < least or (u is not None and len(u) != len(x)):
        raise ValueError(f"a line needs at least {least} points with x and y, not {len(x)}")
    if max(x) == min(x):
        raise ValueError("all points lie at one x: no line goes through them")
    if u is not None and not all(value > 0 for value in u):
        raise ValueError("the uncertainty of every point must be more than zero")
    fit = gtc().ta.line_fit(list(x), list(y)) if u is None else gtc().ta.line_fit_wls(list(x), list(y), list(u))
    intercept, slope = fit.a_b
    return Line(
        intercept=float(intercept.x),
        slope=float(slope.x),
        u_intercept=float(intercept.u),
        u_slope=float(slope.u),
        covariance=float(gtc().get_covariance(intercept, slope)),
        dof=float(intercept.df) if u is None else None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """Balanced one-way analysis of variance of J groups of K readings (GUM H.5)."""

    mean: float
    sd_of_means: float
    sd_within: float
    groups: int
    size: int

    @property
    def f_ratio(self) -> float:
        """K·s²(means)/s²(within); large when groups differ by more than their readings scatter."""
        return self.size * self.sd_of_means**2 / self.sd_within**2

    @property
    def p_value(self) -> float:
        """How likely so large a ratio is when groups do not differ."""
        from scipy.special import fdtrc

        return float(fdtrc(self.groups - 1, self.groups * (self.size - 1), self.f_ratio))

    def critical_ratio(self, probability: float) -> float:
        """F quantile: a ratio above it is significant at that probability."""
        from scipy.special import fdtri

        return float(fdtri(self.groups - 1, self.groups * (self.size - 1), probability))

    @property
    def sd_between(self) -> float:
        """Standard deviation between groups, √((K·s²(means) − s²(within))/K); zero when that is negative."""
        return math.sqrt(max(0.0, self.sd_of_means**2 - self.sd_within**2 / self.size))

    @property
    def u_mean(self) -> float:
        """Standard uncertainty of the grand mean with J − 1 degrees of freedom, between-group effect included."""
        return self.sd_of_means / math.sqrt(self.groups)


def analyse_groups(means: Sequence[float], deviations: Sequence[float], size: int) -> Groups:
    """Analysis of variance from each group's mean and standard deviation.

    Raises:
        ValueError: fewer than two groups, or groups of fewer than two readings.
    """
    if len(means) < 2 or len(means) != len(deviations) or size < 2:
        raise ValueError("an analysis of variance needs two groups or more, each of two readings or more")
    mean = math.fsum(means) / len(means)
    return Groups(
        mean=mean,
        sd_of_means=math.sqrt(math.fsum((value - mean) ** 2 for value in means) / (len(means) - 1)),
        sd_within=math.sqrt(math.fsum(value**2 for value in deviations) / len(deviations)),
        groups=len(means),
        size=size,
    )
