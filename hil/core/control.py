"""Control charts and run rules: is a process, or a bench, still what it was?

Charts: individuals and moving range, averages, counts, EWMA and tabular CUSUM (NIST/SEMATECH e-Handbook 6.3.2, 6.3.3).
Run rules by name: ``western_electric`` (four rules, 1956) and ``nelson`` (eight, JQT 16(4) 1984). A point exactly on a
limit is not beyond it.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

D2 = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078}  # as printed


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A rule that fired: at which point (index from zero), and which points it looked at."""

    rule: str
    at: int
    since: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Centre line, limits and what signals; limits have one entry a point, since those of some charts change."""

    name: str
    points: tuple[float, ...]
    centre: float
    sigma: float  # of one point
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[Signal, ...]

    @property
    def in_control(self) -> bool:
        """No rule fired."""
        return not self.signals


def c4(n: int) -> float:
    """Expected sample standard deviation of n normal values in units of sigma."""
    return math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))


def moving_range_sigma(values: ArrayLike) -> float:
    """Sigma of single values from the mean moving range of two, with d2 = 1.128 as printed in the handbooks.

    Raises:
        ValueError: fewer than two values.
    """
    series = np.asarray(values, dtype=float)
    if series.size < 2:
        raise ValueError(f"a moving range needs two values or more, not {series.size}")
    return float(np.abs(np.diff(series)).mean()) / D2[2]


def individuals(
    values: ArrayLike, *, rules: str = "nelson", centre: float | None = None, sigma: float | None = None
) -> Chart:
    """Chart of single values, 3 sigma; centre and sigma from the values unless given from an earlier phase.

    Raises:
        ValueError: fewer than two values, or unknown rules.
    """
    series = np.asarray(values, dtype=float)
    middle = float(series.mean()) if centre is None else centre
    spread = moving_range_sigma(series) if sigma is None else sigma
    n = series.size
    return Chart(
        name="individuals",
        points=tuple(series.tolist()),
        centre=middle,
        sigma=spread,
        lower=(middle - 3 * spread,) * n,
        upper=(middle + 3 * spread,) * n,
        signals=run_rules(series, middle, spread, rules),
    )


def averages(groups: ArrayLike, *, rules: str = "western_electric", estimator: str = "pooled") -> Chart:
    """Chart of group averages; ``estimator`` of sigma is "range" (R̄/d2), "sd" (s̄/c4) or "pooled" (root mean square s).

    Raises:
        ValueError: unknown estimator, or groups that no printed factor suits.
    """
    data = np.asarray(groups, dtype=float)
    size = data.shape[1]
    sds = data.std(axis=1, ddof=1)
    if estimator == "range":
        if size not in D2:
            raise ValueError(f"no d2 for groups of {size}; use estimator='pooled'")
        sigma = float(np.ptp(data, axis=1).mean()) / D2[size]
    elif estimator == "sd":
        sigma = float(sds.mean()) / c4(size)
    elif estimator == "pooled":
        sigma = math.sqrt(float((sds**2).mean()))
    else:
        raise ValueError(f"estimator {estimator!r} is not known; known: range, sd, pooled")
    means = data.mean(axis=1)
    return individuals(means, rules=rules, centre=float(means.mean()), sigma=sigma / math.sqrt(size))


def counts(defects: ArrayLike) -> Chart:
    """c chart: counts of defects, Poisson, limits c̄ ± 3√c̄ and never below zero."""
    series = np.asarray(defects, dtype=float)
    middle = float(series.mean())
    sigma = math.sqrt(middle)
    lower, upper = max(0.0, middle - 3 * sigma), middle + 3 * sigma
    signals = tuple(
        Signal(rule="beyond 3 sigma", at=at, since=at)
        for at, count in enumerate(series)
        if count > upper or count < lower
    )
    n = series.size
    return Chart(
        name="counts",
        points=tuple(series.tolist()),
        centre=middle,
        sigma=sigma,
        lower=(lower,) * n,
        upper=(upper,) * n,
        signals=signals,
    )


def ewma(values: ArrayLike, *, target: float, sigma: float, weight: float = 0.2, width: float = 2.962) -> Chart:
    """Exponentially weighted moving average with exact limits (NIST/SEMATECH e-Handbook 6.3.2.4).

    The default weight and width have an in-control run length of 500 (Lucas & Saccucci 1990, from memory).

    Raises:
        ValueError: a weight outside (0, 1].
    """
    if not 0 < weight <= 1:
        raise ValueError(f"the weight must lie in (0, 1], not {weight!r}")
    series = np.asarray(values, dtype=float)
    points, last = [], target
    for value in series:
        last = weight * float(value) + (1 - weight) * last
        points.append(last)
    steps = np.arange(1, series.size + 1)
    half = width * sigma * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * steps)))
    lower, upper = target - half, target + half
    signals = tuple(
        Signal(rule="EWMA beyond its limit", at=at, since=_side_since(points, target, at))
        for at, point in enumerate(points)
        if not lower[at] <= point <= upper[at]
    )
    return Chart(
        name="EWMA",
        points=tuple(points),
        centre=target,
        sigma=sigma,
        lower=tuple(lower.tolist()),
        upper=tuple(upper.tolist()),
        signals=signals,
    )


def _side_since(points: Sequence[float], target: float, at: int) -> int:
    side = points[at] > target
    while at > 0 and (points[at - 1] > target) == side:
        at -= 1
    return at


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Tabular CUSUM: sums above and below the target, and where they crossed h; ``since`` is the last zero before."""

    high: tuple[float, ...]
    low: tuple[float, ...]
    h: float
    signals: tuple[Signal, ...]


def cusum(values: ArrayLike, *, target: float, k: float, h: float) -> Cusum:
    """S_hi = max(0, S_hi + x − target − k), S_lo = max(0, S_lo + target − k − x); out when a sum exceeds h.

    ``k`` and ``h`` are in the unit of the values (usual: 0.5 and 4 to 5 sigma of one point).
    """
    high: list[float] = []
    low: list[float] = []
    signals: list[Signal] = []
    up = down = 0.0
    zero_up = zero_down = 0
    for at, value in enumerate(np.asarray(values, dtype=float).tolist()):
        up, down = max(0.0, up + value - target - k), max(0.0, down + target - k - value)
        zero_up, zero_down = (at + 1 if up == 0 else zero_up), (at + 1 if down == 0 else zero_down)
        high.append(up)
        low.append(down)
        if up > h:
            signals.append(Signal(rule="CUSUM high", at=at, since=zero_up))
        if down > h:
            signals.append(Signal(rule="CUSUM low", at=at, since=zero_down))
    return Cusum(high=tuple(high), low=tuple(low), h=h, signals=tuple(signals))


# A rule: how many points it looks at, and whether those (in units of sigma from the centre) make it fire.
Fires = Callable[[NDArray[np.float64]], bool]


def _beyond(many: int, sigma: float) -> Fires:
    """``many`` of the points beyond ``sigma`` on the same side, the last one among them."""

    def fires(z: NDArray[np.float64]) -> bool:
        return bool(((z > sigma).sum() >= many and z[-1] > sigma) or ((z < -sigma).sum() >= many and z[-1] < -sigma))

    return fires


def _monotonic(z: NDArray[np.float64]) -> bool:
    steps = np.diff(z)
    return bool((steps > 0).all() or (steps < 0).all())


def _alternating(z: NDArray[np.float64]) -> bool:
    steps = np.diff(z)
    return bool((steps[1:] * steps[:-1] < 0).all())


def _within(z: NDArray[np.float64]) -> bool:
    return bool((np.abs(z) < 1).all())


def _outside_both(z: NDArray[np.float64]) -> bool:
    return bool((np.abs(z) > 1).all() and (z > 0).any() and (z < 0).any())


RULES: dict[str, dict[str, tuple[int, Fires]]] = {
    "western_electric": {
        "1 beyond 3 sigma": (1, _beyond(1, 3)),
        "2 of 3 beyond 2 sigma on one side": (3, _beyond(2, 2)),
        "4 of 5 beyond 1 sigma on one side": (5, _beyond(4, 1)),
        "8 on one side": (8, _beyond(8, 0)),
    },
    "nelson": {
        "1 beyond 3 sigma": (1, _beyond(1, 3)),
        "9 on one side": (9, _beyond(9, 0)),
        "6 rising or falling": (6, _monotonic),
        "14 alternating": (14, _alternating),
        "2 of 3 beyond 2 sigma on one side": (3, _beyond(2, 2)),
        "4 of 5 beyond 1 sigma on one side": (5, _beyond(4, 1)),
        "15 within 1 sigma": (15, _within),
        "8 outside 1 sigma on both sides": (8, _outside_both),
    },
    "limits": {"1 beyond 3 sigma": (1, _beyond(1, 3))},
}


def run_rules(values: ArrayLike, centre: float, sigma: float, rules: str = "nelson") -> tuple[Signal, ...]:
    """Every rule of a set at every point where it fires, in order of points.

    A constant series (sigma zero) fires nothing unless a value leaves the centre.

    Raises:
        ValueError: unknown set of rules.
    """
    if rules not in RULES:
        raise ValueError(f"rules {rules!r} are not known; known: {', '.join(RULES)}")
    series = np.asarray(values, dtype=float) - centre
    if sigma <= 0:
        return tuple(Signal(rule="1 beyond 3 sigma", at=int(at), since=int(at)) for at in np.flatnonzero(series))
    z = series / sigma
    signals = []
    for at in range(z.size):
        for name, (length, fires) in RULES[rules].items():
            start = at + 1 - length
            if start >= 0 and fires(z[start : at + 1]):
                signals.append(Signal(rule=name, at=at, since=start))
            elif start < 0 and name.startswith(("2 of 3", "4 of 5")) and fires(z[: at + 1]):
                # Two (four) points are enough when the series has only just begun.
                signals.append(Signal(rule=name, at=at, since=0))
    return tuple(signals)
