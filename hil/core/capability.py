"""Capability of a process against its limits: normal and percentile method, with confidence limits.

Cp, Cpk and Cpm as in NIST/SEMATECH e-Handbook 6.1.6; percentile method as in ISO 22514-4: the 0.135 %, 50 % and
99.865 % points stand in for mean ± 3 sigma. One-sided limits have Cpk alone.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """Indices of one check; None where a limit or the spread is missing."""

    count: int
    mean: float
    sd: float
    cp: float | None
    cpk: float | None
    cp_upper: float | None  # (USL − mean)/3s
    cp_lower: float | None
    off_centre: float | None  # k = |m − mean|/(half the tolerance)
    cpm: float | None  # with a target
    cpk_lower_limit: float | None  # of the confidence interval of Cpk
    cpk_upper_limit: float | None


def from_summary(
    count: int,
    mean: float,
    sd: float,
    lower: float | None,
    upper: float | None,
    *,
    target: float | None = None,
    confidence: float = 0.95,
) -> Capability:
    """Normal method from a summary.

    The confidence limits of Cpk are Bissell's approximation (1990): Cpk ± z·√(1/(9n) + Cpk²/(2(n − 1))); from memory.

    Raises:
        ValueError: fewer than two readings, or no limit at all.
    """
    if count < 2:
        raise ValueError(f"a capability needs two readings or more, not {count}")
    if lower is None and upper is None:
        raise ValueError("a capability needs a limit")
    cp_upper = cp_lower = cp = cpk = cpm = off_centre = low = high = None
    if sd > 0:
        cp_upper = (upper - mean) / (3 * sd) if upper is not None else None
        cp_lower = (mean - lower) / (3 * sd) if lower is not None else None
        cpk = min(index for index in (cp_upper, cp_lower) if index is not None)
        half = _z(confidence) * math.sqrt(1 / (9 * count) + cpk**2 / (2 * (count - 1)))
        low, high = cpk - half, cpk + half
    if lower is not None and upper is not None and upper > lower:
        off_centre = abs((upper + lower) / 2 - mean) / ((upper - lower) / 2)
        if sd > 0:
            cp = (upper - lower) / (6 * sd)
        if target is not None and (sd > 0 or mean != target):
            cpm = (upper - lower) / (6 * math.hypot(sd, mean - target))
    return Capability(
        count=count,
        mean=mean,
        sd=sd,
        cp=cp,
        cpk=cpk,
        cp_upper=cp_upper,
        cp_lower=cp_lower,
        off_centre=off_centre,
        cpm=cpm,
        cpk_lower_limit=low,
        cpk_upper_limit=high,
    )


def _z(confidence: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf((1 + confidence) / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class PercentileCapability:
    """Pp and Ppk by percentiles; ``is_extrapolated`` when there are too few readings to see the 0.135 % points."""

    low: float  # X0.135
    middle: float  # X50
    high: float  # X99.865
    pp: float | None
    ppk: float | None
    is_extrapolated: bool
    ppk_lower_limit: float | None = None  # of the confidence interval of Ppk
    ppk_upper_limit: float | None = None


POINTS = (0.00135, 0.5, 0.99865)
DRAWS = 1000


def from_percentiles(
    values: ArrayLike, lower: float | None, upper: float | None, *, confidence: float = 0.95, seed: int = 1
) -> PercentileCapability:
    """Percentile method; with fewer than 741 readings (1/0.00135) the outer points are the extremes seen.

    The confidence limits of Ppk are a bootstrap of the three points: shares of a continuous population below order
    statistics are Dirichlet distributed, so that they are drawn without drawing samples (own derivation). They cannot
    see beyond the extremes, and are too narrow where `is_extrapolated`.

    Raises:
        ValueError: no readings, or no limit at all.
    """
    series = np.asarray(values, dtype=float)
    if series.size == 0:
        raise ValueError("a capability needs readings")
    if lower is None and upper is None:
        raise ValueError("a capability needs a limit")
    low, middle, high = (float(point) for point in np.quantile(series, POINTS))
    pp, ppk = percentile_indices(low, middle, high, lower, upper)
    below, above = _bootstrap(np.sort(series), lower, upper, confidence, seed) if ppk is not None else (None, None)
    return PercentileCapability(
        low=low, middle=middle, high=high, pp=pp, ppk=ppk, is_extrapolated=series.size < 741, ppk_lower_limit=below,
        ppk_upper_limit=above,
    )  # fmt: skip


def _bootstrap(
    ordered: NDArray[np.float64], lower: float | None, upper: float | None, confidence: float, seed: int
) -> tuple[float, float]:
    gaps = (ordered.size + 1) * np.diff((0.0, *POINTS, 1.0))
    drawn = np.random.default_rng(seed).standard_gamma(gaps, size=(DRAWS, gaps.size))
    shares = np.cumsum(drawn, axis=1) / drawn.sum(axis=1, keepdims=True)
    places = shares[:, :3] * (ordered.size - 1)
    low, middle, high = np.interp(places, np.arange(ordered.size), ordered).T
    with np.errstate(divide="ignore", invalid="ignore"):
        sides = [
            *(((upper - middle) / (high - middle),) if upper is not None else ()),
            *(((middle - lower) / (middle - low),) if lower is not None else ()),
        ]
        indices = np.nanmin(np.stack(sides), axis=0)
    finite = indices[np.isfinite(indices)]
    if not finite.size:
        return -math.inf, math.inf
    edges = np.quantile(finite, ((1 - confidence) / 2, (1 + confidence) / 2))
    return float(edges[0]), float(edges[1])


def percentile_indices(
    low: float, middle: float, high: float, lower: float | None, upper: float | None
) -> tuple[float | None, float | None]:
    """Pp and Ppk from the three points; None where they do not exist."""
    sides = []
    if upper is not None and high > middle:
        sides.append((upper - middle) / (high - middle))
    if lower is not None and middle > low:
        sides.append((middle - lower) / (middle - low))
    pp = (upper - lower) / (high - low) if lower is not None and upper is not None and high > low else None
    return pp, min(sides) if sides else None
