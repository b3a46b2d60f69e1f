"""The life of a reference part: drift from its certificates, the value to use today, when it should go back.

The rate is a weighted straight line through all certificates. Its uncertainty comes from theirs, widened by the
Birge ratio when the values scatter more than they may. A part with one certificate has no known rate: its drift is
zero with the uncertainty that the certificate has, per year (common practice, no source).

Dates are ISO texts; today's date is handed in.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

from hil.core.equipment import Certificate, Part
from hil.core.inputs import Input, normal

DAYS_PER_YEAR = 365.25


def years_between(first: str, second: str) -> float:
    """Time from one ISO date to another, in years of 365.25 days; negative backwards."""
    return (date.fromisoformat(second) - date.fromisoformat(first)).days / DAYS_PER_YEAR


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How a part moves, as its certificates tell it. Rates are in the unit of the part per year."""

    last: Certificate
    rate: float
    u_rate: float
    correlation: float  # of the rate with the value of the last certificate, which the rate rests on
    certificates: int

    @property
    def is_significant(self) -> bool:
        """Whether the rate exceeds its expanded uncertainty (k = 2)."""
        return abs(self.rate) > 2 * self.u_rate

    def value_on(self, day: str) -> float:
        """The value to use on a day: that of the last certificate, carried on at the rate."""
        return self.last.value + self.rate * self._years(day)

    def uncertainty_on(self, day: str) -> float:
        """Standard uncertainty of that value."""
        u, moved = self.last.standard_uncertainty, self._years(day) * self.u_rate
        return math.sqrt(u**2 + moved**2 + 2 * self.correlation * u * moved)

    def inputs_on(self, day: str, unit: str = "") -> tuple[tuple[Input, ...], dict[tuple[str, str], float]]:
        """Certificate and drift since then as inputs of a budget, with their correlation; no drift on day one."""
        certificate = normal(
            "part: certificate", self.last.value, self.last.standard_uncertainty, unit=unit, dof=self.last.dof
        )
        moved = self._years(day) * self.u_rate
        if moved == 0:
            return (certificate,), {}
        drift = normal("part: drift", self.rate * self._years(day), moved, unit=unit)
        is_shared = self.last.dof is None and self.correlation != 0
        return (certificate, drift), {(certificate.name, drift.name): self.correlation} if is_shared else {}

    def day_when(self, expanded_uncertainty: float, *, coverage_factor: float = 2.0) -> str | None:
        """The last day on which k·u of the value is at most that; None when it never gets that far in 100 years.

        Raises:
            ValueError: the certificate alone is wider than that.
        """
        most = expanded_uncertainty / coverage_factor
        u = self.last.standard_uncertainty
        if most < u:
            raise ValueError("the certificate alone is less certain than that; a better calibration is needed")
        if self.u_rate == 0:
            return None
        # u² + (T·u_r)² + 2·r·u·T·u_r = most², solved for T·u_r
        along = self.correlation * u
        moved = -along + math.sqrt(along**2 + most**2 - u**2)
        years = moved / self.u_rate
        if years > 100:
            return None
        return (date.fromisoformat(self.last.date) + timedelta(days=math.floor(years * DAYS_PER_YEAR))).isoformat()

    def _years(self, day: str) -> float:
        return max(0.0, years_between(self.last.date, day))


def drift_of(part: Part) -> Drift:
    """Drift of a part from its history and its present certificate.

    Raises:
        ValueError: the part has no certificate ("open" and "short").
    """
    if part.present is None:
        raise ValueError(f"{part.name} has no certificate and does not drift")
    return _drift_of((*part.history, part.present))


@lru_cache(maxsize=512)  # asked for at every reading of a part
def _drift_of(certificates: tuple[Certificate, ...]) -> Drift:
    return drift_from(certificates)


def drift_from(certificates: Sequence[Certificate]) -> Drift:
    """Drift from certificates in the order of time.

    Raises:
        ValueError: none given, or two of one day.
    """
    if not certificates:
        raise ValueError("a drift needs at least one certificate")
    last = certificates[-1]
    if len(certificates) == 1:
        # Nothing is known; the part was trusted to its U for a year when the interval was chosen.
        return Drift(last=last, rate=0.0, u_rate=last.standard_uncertainty, correlation=0.0, certificates=1)
    times = [years_between(last.date, entry.date) for entry in certificates]
    if len(set(times)) != len(times):
        raise ValueError("two certificates have the same date; keep the later one")
    scale = abs(last.value) or 1.0  # picofarads squared would not survive the fit's tests for singularity
    spreads = [entry.standard_uncertainty / scale for entry in certificates]
    values = [(entry.value - last.value) / scale for entry in certificates]
    weights = [1 / spread**2 for spread in spreads]
    centre = math.fsum(w * t for w, t in zip(weights, times, strict=True)) / math.fsum(weights)
    moment = math.fsum(w * (t - centre) ** 2 for w, t in zip(weights, times, strict=True))
    # The weighted line through (t̄, x̄): rate = Σ w_i (t_i − t̄) x_i / S, u = 1/√S. Its covariance with the last value is
    # (t_n − t̄)/S. Written out, as the library that fits lines takes longer to load than a unit to check.
    rate = math.fsum(w * (t - centre) * x for w, t, x in zip(weights, times, values, strict=True)) / moment
    u_rate = 1 / math.sqrt(moment)
    mean = math.fsum(w * x for w, x in zip(weights, values, strict=True)) / math.fsum(weights)
    correlation = (times[-1] - centre) / moment / (u_rate * spreads[-1])
    birge = 1.0
    if len(certificates) > 2:
        misfits = (
            ((value - mean - rate * (time - centre)) / spread) ** 2
            for value, time, spread in zip(values, times, spreads, strict=True)
        )
        birge = max(1.0, math.sqrt(math.fsum(misfits) / (len(certificates) - 2)))
    return Drift(
        last=last,
        rate=rate * scale,
        u_rate=u_rate * scale * birge,
        correlation=correlation / birge,
        certificates=len(certificates),
    )


# When a part should go back.


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A recalibration interval from counts of calibrations found in tolerance."""

    days: float
    reliability: float  # observed share in tolerance
    rejection_confidence: float  # that the present interval misses the target
    reliability_limits: tuple[float, float]  # 50 % two-sided


def attribute_interval(days: float, target: float, calibrations: int, in_tolerance: int) -> Interval:
    """New interval from how often parts came back in tolerance (NCSLI RP-1, attribute method A3).

    The interval moves by 10^((R − R_target)·C): R the observed reliability, C the confidence that it misses the
    target. The formula is from memory and was held against the two published assets that the tests name.

    Raises:
        ValueError: counts or target that cannot be.
    """
    if not 0 < target < 1:
        raise ValueError(f"the target reliability lies between 0 and 1, not {target!r}")
    if not 0 <= in_tolerance <= calibrations or calibrations < 1:
        raise ValueError(f"{in_tolerance} of {calibrations} calibrations in tolerance cannot be")
    if not days > 0:
        raise ValueError(f"the present interval must be more than zero, not {days!r}")
    from scipy.special import bdtr, bdtrc

    reliability = in_tolerance / calibrations
    if reliability < target:
        tail = float(bdtr(in_tolerance, calibrations, target))
    else:
        tail = float(bdtrc(in_tolerance - 1, calibrations, target)) if in_tolerance else 1.0
    confidence = max(0.0, 1 - 2 * tail)  # two-sided: the interval may be too long or too short
    return Interval(
        days=days * 10 ** ((reliability - target) * confidence),
        reliability=reliability,
        rejection_confidence=confidence,
        reliability_limits=binomial_limits(in_tolerance, calibrations, confidence=0.5),
    )


def binomial_limits(hits: int, trials: int, *, confidence: float) -> tuple[float, float]:
    """Exact two-sided confidence limits of a share (Clopper and Pearson 1934)."""
    from scipy.special import betaincinv

    tail = (1 - confidence) / 2
    low = 0.0 if hits == 0 else float(betaincinv(hits, trials - hits + 1, tail))
    high = 1.0 if hits == trials else float(betaincinv(hits + 1, trials - hits, 1 - tail))
    return low, high


# Cross-check of a kit: each part against what the others say of the same meter.


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck:
    """One part measured through the others."""

    part: str
    deviation: float  # relative: reading over value, less what the others give
    expanded_uncertainty: float  # relative
    has_moved: bool

    @property
    def score(self) -> float:
        """E_n = deviation / U; beyond ±1 something has moved (ISO/IEC 17043)."""
        return self.deviation / self.expanded_uncertainty


def cross_check(errors: Mapping[str, tuple[float, float]], *, coverage_factor: float = 2.0) -> tuple[CrossCheck, ...]:
    """Find parts that have moved among parts of one kind read by one meter.

    Args:
        errors: part -> (relative error of indication, its standard uncertainty without what all parts share, such as
            the scale of the meter; that cancels here).
        coverage_factor: k of the uncertainty that a deviation is held against; larger than 2 where many parts are
            looked at together and none must be blamed by chance.

    Returns:
        one entry a part, in the order given. Each is compared with the weighted mean of the others, leaving out those
        found to have moved: worst first, until none is beyond its expanded uncertainty.

    Raises:
        ValueError: fewer than three parts (with two nobody knows which one moved), or an uncertainty of zero.
    """
    if len(errors) < 3:
        raise ValueError(f"a cross-check needs at least three parts, not {len(errors)}: with two, which one moved?")
    if not all(u > 0 for _, u in errors.values()):
        raise ValueError("every error of indication needs an uncertainty of more than zero")
    moved: set[str] = set()
    while True:
        found = {name: _against_others(name, errors, moved, coverage_factor) for name in errors}
        staying = [entry for name, entry in found.items() if name not in moved]
        worst = max(staying, key=lambda entry: abs(entry.score))
        # Two parts that disagree cannot say which of them has moved.
        if abs(worst.score) <= 1 or len(staying) <= 2:
            return tuple(found.values())
        moved.add(worst.part)


def _against_others(name: str, errors: Mapping[str, tuple[float, float]], moved: set[str], k: float) -> CrossCheck:
    others = [(error, u) for other, (error, u) in errors.items() if other != name and other not in moved]
    weight = math.fsum(1 / u**2 for _, u in others)
    mean = math.fsum(error / u**2 for error, u in others) / weight
    error, u = errors[name]
    return CrossCheck(
        part=name,
        deviation=error - mean,
        expanded_uncertainty=k * math.sqrt(u**2 + 1 / weight),
        has_moved=name in moved,
    )
