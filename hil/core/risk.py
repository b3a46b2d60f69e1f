"""Risks of wrong decisions about one quantity (JCGM 106:2012 clauses 7 to 9). Everything here is normal.

    specific risk   this item, given its reading: how likely it does not conform (or, rejected, does)
    global risk     an item picked from the process: how likely it is bad and accepted, or good and rejected

A global risk is *joint* (bad and accepted, of all items) or *conditional* (bad, of the accepted ones). Numbers and
numpy arrays are welcome alike where the type says `Number`.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri, owens_t, stdtr

from hil.core.limit import Zone

Number = Any  # float or array of floats
_FAR = 38.0  # standard deviations: the normal tail beyond is zero in double precision


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """What units are like before they are tested: normal with mean and standard deviation, in the unit of the limit."""

    mean: float
    sd: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.mean):
            raise ValueError(f"the mean of the process must be a finite number, not {self.mean!r}")
        if not (math.isfinite(self.sd) and self.sd > 0):
            raise ValueError(f"the standard deviation of the process must be more than zero, not {self.sd!r}")

    def outside(self, zone: Zone) -> float:
        """Share of the process outside a zone."""
        return 1 - float(mass(zone, self.mean, self.sd))

    def cpk(self, zone: Zone) -> float:
        """Capability index: distance of the mean from the nearer limit in units of 3 sd (ISO 22514-2).

        Raises:
            ValueError: the zone has no limit.
        """
        sides = [
            side
            for side in (
                None if zone.lower is None else (self.mean - zone.lower) / (3 * self.sd),
                None if zone.upper is None else (zone.upper - self.mean) / (3 * self.sd),
            )
            if side is not None
        ]
        if not sides:
            raise ValueError("a capability index needs at least one limit")
        return min(sides)


def process_from_reliability(zone: Zone, reliability: float) -> Process:
    """The centred normal process of which a share ``reliability`` lies within a two-sided zone.

    Raises:
        ValueError: a one-sided zone, or a share outside 0 … 1.
    """
    if zone.lower is None or zone.upper is None:
        raise ValueError("a share within the limits describes a process only when there are two limits")
    if not 0 < reliability < 1:
        raise ValueError(f"the share within the limits lies between 0 and 1, not {reliability!r}")
    half = (zone.upper - zone.lower) / 2
    return Process(mean=(zone.lower + zone.upper) / 2, sd=half / float(ndtri((1 + reliability) / 2)))


def conformance_probability(reading: float, u: float, zone: Zone, *, dof: float | None = None) -> float:
    """How likely the item conforms, given its reading and nothing else (JCGM 106 7.2, 7.3); t when ``dof`` is given."""
    if not u > 0:
        raise ValueError(f"the standard uncertainty must be more than zero, not {u!r}")

    def below(z: float) -> float:
        return float(ndtr(z)) if dof is None or math.isinf(dof) else float(stdtr(dof, z))

    above_lower = 1.0 if zone.lower is None else below((reading - zone.lower) / u)
    above_upper = 0.0 if zone.upper is None else below((reading - zone.upper) / u)
    return above_lower - above_upper


def specific_risk(reading: float, u: float, zone: Zone, *, dof: float | None = None) -> float:
    """How likely the item does not conform, given its reading: the risk of accepting it."""
    return 1 - conformance_probability(reading, u, zone, dof=dof)


def one_sided_factor(conformance: float) -> float:
    """z such that a reading z·u inside a limit conforms with that probability (JCGM 106 Table 1).

    A guard band of z·u inside the limit guards acceptance; z·u outside guards rejection (JCGM 106 8.3.3).
    """
    if not 0 < conformance < 1:
        raise ValueError(f"a conformance probability lies between 0 and 1, not {conformance!r}")
    return float(ndtri(conformance))


def specific_guard(zone: Zone, u: float, max_risk: float) -> float:
    """Least w >= 0 with which a reading at the edge of the acceptance zone is of a bad item with at most ``max_risk``.

    At a two-sided limit both limits count, so that w grows when the zone is only a few u wide; infinite when no w
    will do.
    """

    def excess(w: float) -> float:
        edge = zone.lower + w if zone.lower is not None else zone.upper - w  # type: ignore[operator]
        return specific_risk(edge, u, zone) - max_risk

    if zone.lower is None and zone.upper is None:
        return 0.0
    if zone.lower is None or zone.upper is None:
        return max(0.0, -float(ndtri(max_risk)) * u)
    middle = (zone.upper - zone.lower) / 2
    if excess(middle) > 0:
        return math.inf
    from scipy.optimize import brentq  # late: it costs every command half a second otherwise

    return float(brentq(excess, 0.0, middle, xtol=1e-9 * u)) if excess(0.0) > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisk:
    """What a process, a measurement and a decision rule make of items, as shares of all items."""

    conforming: float
    accepted: float
    rejected: float  # with accepted it makes one, unless some stay undecided
    false_acceptance: float  # bad and accepted: the consumer's risk
    false_rejection: float  # good and rejected: the producer's risk

    @property
    def undecided(self) -> float:
        return 1 - self.accepted - self.rejected

    @property
    def bad_among_accepted(self) -> float:
        """Conditional false acceptance."""
        return self.false_acceptance / self.accepted if self.accepted else 0.0

    @property
    def good_among_rejected(self) -> float:
        """Conditional false rejection."""
        return self.false_rejection / self.rejected if self.rejected else 0.0


def global_risk(
    process: Process, u: float, tolerance: Zone, acceptance: Zone | None = None, rejection: Zone | None = None
) -> GlobalRisk:
    """Joint risks of one check (JCGM 106 9.3).

    Args:
        process: of true values.
        u: standard uncertainty of the reading, more than zero.
        tolerance: where an item conforms.
        acceptance: where a reading is accepted; None: the tolerance.
        rejection: outside of it a reading is rejected; None: outside the acceptance zone.

    Raises:
        ValueError: u not more than zero.
    """
    if not u > 0:
        raise ValueError(f"the standard uncertainty must be more than zero, not {u!r}")
    acceptance = tolerance if acceptance is None else acceptance
    rejection = acceptance if rejection is None else rejection
    spread = math.hypot(process.sd, u)
    conforming = float(mass(tolerance, process.mean, process.sd))
    accepted = float(mass(acceptance, process.mean, spread))
    kept = float(mass(rejection, process.mean, spread))
    good_accepted = float(both(tolerance, acceptance, process.mean, process.sd, process.mean, u))
    good_kept = (
        good_accepted
        if rejection == acceptance
        else float(both(tolerance, rejection, process.mean, process.sd, process.mean, u))
    )
    return GlobalRisk(
        conforming=conforming,
        accepted=accepted,
        rejected=1 - kept,
        false_acceptance=max(0.0, accepted - good_accepted),
        false_rejection=max(0.0, conforming - good_kept),
    )


def global_guard(process: Process, u: float, tolerance: Zone, max_risk: float, *, conditional: bool = False) -> float:
    """Least w >= 0 with which the false acceptance, joint or conditional, is at most ``max_risk``; inf when none is."""

    def excess(w: float) -> float:
        risk = global_risk(process, u, tolerance, shrunk(tolerance, w))
        return (risk.bad_among_accepted if conditional else risk.false_acceptance) - max_risk

    if excess(0.0) <= 0:
        return 0.0
    from scipy.optimize import brentq

    most = 20 * u
    if tolerance.lower is not None and tolerance.upper is not None:
        most = min(most, (tolerance.upper - tolerance.lower) / 2 * (1 - 1e-9))
    return float(brentq(excess, 0.0, most, xtol=1e-9 * u)) if excess(most) < 0 else math.inf


def shrunk(zone: Zone, w: float) -> Zone:
    """A zone less w at each limit that exists; a negative w widens it."""
    return Zone(
        lower=None if zone.lower is None else zone.lower + w, upper=None if zone.upper is None else zone.upper - w
    )


# Guard bands from the test uncertainty ratio alone, as factors on the tolerance.


def managed_risk_factor(ratio: float) -> float:
    """A/T with a worst-case false acceptance of 2 % whatever the process (Dobbert, "method 6"): 1 − M/TUR."""
    return 1 - managed_risk_multiplier(ratio) / ratio


def managed_risk_multiplier(ratio: float) -> float:
    """M of w = M·U for a worst-case false acceptance of 2 %: 1.04 − exp(0.38·ln TUR − 0.54); not below zero."""
    return max(0.0, 1.04 - math.exp(0.38 * math.log(ratio) - 0.54))


def root_sum_square_factor(ratio: float) -> float:
    """A/T = √(1 − 1/TUR²)."""
    return math.sqrt(1 - 1 / ratio**2)


def subtracted_factor(ratio: float) -> float:
    """A/T = 1 − 1/TUR: w = U."""
    return 1 - 1 / ratio


def reduced_factor(ratio: float) -> float:
    """A/T = 1.25 − 1/TUR, not above one (NCSLI RP-10)."""
    return min(1.0, 1.25 - 1 / ratio)


def worst_false_acceptance(ratio: float, factor: float = 1.0) -> tuple[float, float]:
    """Greatest joint false acceptance over all centred processes, and the share in tolerance where it occurs."""
    from scipy.optimize import minimize_scalar

    zone = Zone(lower=-1.0, upper=1.0)
    u = 1 / ratio / 2

    def risk(reliability: float) -> float:
        process = process_from_reliability(zone, reliability)
        return -global_risk(process, u, zone, Zone(lower=-factor, upper=factor)).false_acceptance

    found = minimize_scalar(risk, bounds=(0.01, 0.9999), method="bounded", options={"xatol": 1e-7})
    return -float(found.fun), float(found.x)


# Probabilities of intervals under normal distributions, vectorised.


def _edges(zone: Zone) -> tuple[float, float]:
    return (-math.inf if zone.lower is None else zone.lower), (math.inf if zone.upper is None else zone.upper)


def mass(zone: Zone, mean: Number, sd: Number) -> Number:
    """P(zone) of a normal variable; zero for an empty zone."""
    low, high = _edges(zone)
    return np.maximum(ndtr((high - mean) / sd) - ndtr((low - mean) / sd), 0.0)


def both(first: Zone, second: Zone, mean: Number, sd: Number, mean_reading: Number, u: Number) -> Number:
    """P(x in first and y in second) with x normal and y = x + noise of standard deviation u.

    ``mean_reading`` is the mean of y; it differs from that of x when a shared error is given.
    """
    spread = np.hypot(sd, u)
    return rectangle(first, second, mean, sd, mean_reading, spread, sd / spread)


def rectangle(
    first: Zone, second: Zone, mean_x: Number, sd_x: Number, mean_y: Number, sd_y: Number, rho: Number
) -> Number:
    """P(x in first and y in second) of two normal variables with correlation rho."""
    if first.is_empty or second.is_empty:
        return np.zeros(np.broadcast(mean_x, sd_x, mean_y, sd_y, rho).shape)
    x_low, x_high = ((edge - mean_x) / sd_x for edge in _edges(first))
    y_low, y_high = ((edge - mean_y) / sd_y for edge in _edges(second))
    return np.maximum(
        bivariate(x_high, y_high, rho)
        - bivariate(x_low, y_high, rho)
        - bivariate(x_high, y_low, rho)
        + bivariate(x_low, y_low, rho),
        0.0,
    )


def bivariate(h: Number, k: Number, rho: Number) -> Number:
    """P(X <= h, Y <= k) of standard normal variables with correlation rho, by Owen's T function (Owen 1956)."""
    tiny = 1e-200  # stands for zero: its quotients have the right limits
    h = np.where(h == 0, tiny, np.clip(h, -_FAR, _FAR))
    k = np.where(k == 0, tiny, np.clip(k, -_FAR, _FAR))
    root = np.maximum(np.sqrt((1 - rho) * (1 + rho)), tiny)  # tiny: for rho = 1 the quotients have their limits too
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        part = owens_t(h, (k / h - rho) / root) + owens_t(k, (h / k - rho) / root)
    return 0.5 * (ndtr(h) + ndtr(k) - (h * k < 0)) - part
