"""Risks of a whole list of limits: predicted in closed form, counted in a simulated population, and compared.

A unit is a true value x for each check and a reading y of each:

    x = mean + Σ a_k·F_k + own          F_k: what the checks of one unit share, such as its Ccal
    y = x + Σ b_m·G_m + own + noise     G_m: what their errors share, such as a reference part or a voltmeter

Given all F and G the checks are independent, so the probability of a unit is the mean, over F and G, of a product of
bivariate normal probabilities. The population draws the same model and passes every reading through the very
comparison that `hil check` makes (`judge.steps_outside`, `judge.decide`), repeat stage included.

Risks are those of JCGM 106:2012 clause 9. A unit conforms when all its checks do, and is accepted when all pass.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from hil.core.budget import Budget
from hil.core.drift import binomial_limits
from hil.core.guard import acceptance_zone
from hil.core.inputs import stream_number
from hil.core.judge import decide, steps_outside
from hil.core.limit import Limit, Zone
from hil.core.records import Verdict
from hil.core.risk import GlobalRisk, Process, both, mass, rectangle

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Flags = NDArray[np.bool_]

_TINY = 1e-6  # of the process: stands for an error without a part of its own, where the closed form would divide by 0
_CODES = {Verdict.PASS: 0, Verdict.UNDECIDED: 1, Verdict.FAIL: 2}


@dataclass(frozen=True, kw_only=True)
class Check:
    """One limit with the process behind it and the budget of its reading.

    Args:
        limit: resolved, numeric.
        process: of true values, what it shares with other checks included.
        budget: of one reading; None: exact.
        averaged: of the mean of `rule.repeats` readings; None: no repeat stage.
        shared_process: F -> a, in the unit of the limit, signed.
        shared_errors: G -> b, in the unit of the limit, signed.

    Raises:
        ValueError: more is shared than there is.
    """

    limit: Limit
    process: Process
    budget: Budget | None = None
    averaged: Budget | None = None
    shared_process: Mapping[str, float] = field(default_factory=dict)
    shared_errors: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for what, shared, sd in (
            ("process", self.shared_process, self.process.sd),
            ("errors", self.shared_errors, self.type_b),
        ):
            together = math.sqrt(math.fsum(part**2 for part in shared.values()))
            if together > sd * (1 + 1e-9):
                raise ValueError(
                    f"{self.limit.name}: the shared {what} are {together:.3g} {self.limit.unit}, "
                    f"more than the {sd:.3g} {self.limit.unit} that they are part of"
                )

    @property
    def u(self) -> float:
        """Standard uncertainty of one reading."""
        return self.budget.standard_uncertainty if self.budget else 0.0

    @property
    def type_a(self) -> float:
        """What changes from reading to reading."""
        return self.budget.type_a_uncertainty if self.budget else 0.0

    @property
    def type_b(self) -> float:
        """What all readings of one unit share."""
        return math.sqrt(max(0.0, self.u**2 - self.type_a**2))

    @property
    def own_sd(self) -> float:
        """Of the process, what no other check shares."""
        return math.sqrt(max(0.0, self.process.sd**2 - math.fsum(a**2 for a in self.shared_process.values())))

    @property
    def own_b(self) -> float:
        """Of the errors that stay, what no other check shares."""
        return math.sqrt(max(0.0, self.type_b**2 - math.fsum(b**2 for b in self.shared_errors.values())))

    @property
    def repeats(self) -> int:
        """Readings of the repeat stage; 1: no stage."""
        return self.limit.rule.repeats if self.averaged is not None and self.type_a > 0 else 1

    @cached_property
    def zones(self) -> tuple[Zone, ...]:
        """Acceptance zone of each stage, as the judge finds it."""
        budgets = (self.budget, self.averaged) if self.repeats > 1 else (self.budget,)
        rule, lower, upper = self.limit.rule, self.limit.lower, self.limit.upper
        if self.budget is None or rule.kind == "simple":
            return (self.limit.zone,) * len(budgets)
        return tuple(
            acceptance_zone(lower, upper, b.expanded_uncertainty, rule, coverage_factor=b.coverage_factor)
            for b in budgets
            if b is not None
        )

    def passing(self, stage: int) -> Zone:
        """Readings that pass in a stage."""
        return self._with_verdicts(stage, Verdict.PASS)

    def not_failing(self, stage: int) -> Zone:
        """Readings that pass or stay undecided in a stage; all of them where no acceptance zone is left."""
        if self.zones[stage].is_empty:
            return Zone(lower=None, upper=None)
        return self._with_verdicts(stage, Verdict.PASS, Verdict.UNDECIDED)

    def _with_verdicts(self, stage: int, *wanted: Verdict) -> Zone:
        """The rule's steps outward are nested, so verdicts from the inside on make an interval."""
        acceptance, tolerance = self.zones[stage], self.limit.zone
        reaching = [step for step in range(3) if decide(step, self.limit.rule)[0] in wanted]
        return (acceptance, tolerance, _mirrored(tolerance, acceptance))[max(reaching)]


def _mirrored(tolerance: Zone, acceptance: Zone) -> Zone:
    """The tolerance plus the guard band."""
    return Zone(
        lower=None if tolerance.lower is None else 2 * tolerance.lower - (acceptance.lower or 0.0),
        upper=None if tolerance.upper is None else 2 * tolerance.upper - (acceptance.upper or 0.0),
    )


# Prediction


def predict(check: Check) -> GlobalRisk:
    """Risks of one check."""
    found = _given(check, np.zeros(1), np.zeros(1), check.process.sd, check.type_b)
    return _risk(*(float(part[0]) for part in found))


def predict_unit(checks: Sequence[Check], *, points: int = 2048, seed: int = 0) -> GlobalRisk:
    """Risks of a unit: joint model of all checks, integrated over what they share at so many Sobol points.

    Raises:
        ValueError: no check is given.
    """
    if not checks:
        raise ValueError("a unit without checks has no risk")
    from scipy.stats.qmc import Sobol

    names = sorted({name for check in checks for name in (*check.shared_process, *check.shared_errors)})
    if names:
        drawn = Sobol(len(names), scramble=True, rng=np.random.default_rng(seed)).random_base2(round(math.log2(points)))
        factors = dict(zip(names, ndtri(np.clip(drawn, 1e-12, 1 - 1e-12)).T, strict=True))
    else:
        factors = {}
        points = 1
    product = [np.ones(2 ** round(math.log2(points))) for _ in range(5)]
    for check in checks:
        moved = _shift(check.shared_process, factors, len(product[0]))
        wrong = _shift(check.shared_errors, factors, len(product[0]))
        for total, part in zip(product, _given(check, moved, wrong, check.own_sd, check.own_b), strict=True):
            total *= part
    return _risk(*(float(np.mean(part)) for part in product))


def _shift(shared: Mapping[str, float], factors: Mapping[str, Any], size: int) -> Any:
    total = np.zeros(size)
    for name, loading in shared.items():
        total += loading * factors[name]
    return total


def _risk(good: float, accepted: float, kept: float, good_accepted: float, good_kept: float) -> GlobalRisk:
    return GlobalRisk(
        conforming=good,
        accepted=accepted,
        rejected=1 - kept,
        false_acceptance=max(0.0, accepted - good_accepted),
        false_rejection=max(0.0, good - good_kept),
    )


def _given(check: Check, moved: Any, wrong: Any, sd: float, type_b: float) -> tuple[Any, ...]:
    """Probabilities given shifts of the true value and of the reading: good, accepted, kept, good and each of these."""
    tolerance, mean = check.limit.zone, check.process.mean + moved
    sd = max(sd, _TINY * check.process.sd)
    good = mass(tolerance, mean, sd)
    if check.u == 0:  # an exact reading, judged by the tolerance: it decides right
        return (good,) * 5
    if check.repeats > 1:
        return (good, *_two_stages(check, mean, wrong, sd, type_b))
    u = max(math.hypot(type_b, check.type_a), _TINY * check.process.sd)
    accept, keep = check.passing(0), check.not_failing(0)
    spread = math.hypot(sd, u)
    return (
        good,
        mass(accept, mean + wrong, spread),
        mass(keep, mean + wrong, spread),
        both(tolerance, accept, mean, sd, mean + wrong, u),
        both(tolerance, keep, mean, sd, mean + wrong, u),
    )


def _two_stages(check: Check, mean: Any, wrong: Any, sd: float, type_b: float) -> tuple[Any, ...]:
    """Accepted, kept, good and accepted, good and kept, integrated over m = x + what stays of the error.

    Given m the two readings are bivariate normal, y1 = m + e1 and y2 = m + mean of all e with the correlation 1/√n,
    and x is normal by regression on m. What the readings do with m does not depend on the shifts, so it is worked
    out once; the steps are half the noise, which is how sharp its edges are.
    """
    spread = math.hypot(sd, max(type_b, _TINY * sd))
    centre = mean + wrong
    low, high = float(np.min(centre)) - 8.5 * spread, float(np.max(centre)) + 8.5 * spread
    count = int(np.clip((high - low) / min(check.type_a / 2, spread / 4), 100, 6000))
    m, step = np.linspace(low, high, count, retstep=True)
    a, n = check.type_a, check.repeats
    accept, keep = check.passing(0), check.not_failing(0)
    first = mass(accept, m, a)
    accepted = first + _between(keep, accept, check.passing(1), m, a, n)
    kept = first + _between(keep, accept, check.not_failing(1), m, a, n)
    slope = (sd / spread) ** 2
    left = max(sd * math.sqrt(max(1 - slope, 0.0)), _TINY * sd)
    totals = np.empty((4, len(centre)))
    for start in range(0, len(centre), 128):
        some = slice(start, start + 128)
        away = m - centre[some, None]
        weight = np.exp(-0.5 * (away / spread) ** 2) * (step / (spread * math.sqrt(2 * math.pi)))
        good = weight * mass(check.limit.zone, mean[some, None] + slope * away, left)
        totals[:, some] = weight @ accepted, weight @ kept, good @ accepted, good @ kept
    return tuple(totals)


def _between(keep: Zone, accept: Zone, second: Zone, m: Any, a: float, n: int) -> Any:
    """P(first reading undecided, mean of all n in a zone | m)."""
    root = math.sqrt(n)
    inside = (rectangle(zone, second, m, a, m, a / root, 1 / root) for zone in (keep, accept))
    return np.maximum(next(inside) - next(inside), 0.0)


# Counting


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What became of a simulated population in one check, or of its units."""

    units: int
    conforming: int
    accepted: int
    rejected: int
    false_acceptance: int
    false_rejection: int


def simulate(checks: Sequence[Check], units: int, *, seed: int = 0) -> tuple[tuple[Counted, ...], Counted]:
    """Draw units, read and judge each of their checks; counts of every check and of whole units.

    Raises:
        ValueError: no unit, or no check.
    """
    if units < 1 or not checks:
        raise ValueError("a population needs at least one unit and one check")
    names = sorted({name for check in checks for name in (*check.shared_process, *check.shared_errors)})
    factors = {name: _rng(seed, "shared", name).standard_normal(units) for name in names}
    unit_good, unit_passed = np.ones(units, dtype=bool), np.ones(units, dtype=bool)
    unit_failed = np.zeros(units, dtype=bool)
    counted = []
    for check in checks:
        good, passed, failed = _judged(check, factors, units, seed)
        counted.append(_count(good, passed, failed))
        unit_good &= good
        unit_passed &= passed
        unit_failed |= failed
    return tuple(counted), _count(unit_good, unit_passed, unit_failed)


def _rng(seed: int, *names: str) -> np.random.Generator:
    return np.random.default_rng([seed, *(stream_number(name) for name in names)])


def _judged(check: Check, factors: Mapping[str, Any], units: int, seed: int) -> tuple["Flags", "Flags", "Flags"]:
    rng = _rng(seed, "own", check.limit.name)
    true = check.process.mean + check.own_sd * rng.standard_normal(units)
    true += _shift(check.shared_process, factors, units)
    steady = true + check.own_b * rng.standard_normal(units)
    steady += _shift(check.shared_errors, factors, units)
    noise = check.type_a * rng.standard_normal(units)
    codes = _verdicts(check, steady + noise, stage=0)
    if check.repeats > 1:
        again = np.flatnonzero(codes == _CODES[Verdict.UNDECIDED])
        n = check.repeats
        others = check.type_a * math.sqrt(n - 1) * rng.standard_normal(len(again))  # sum of n − 1 further noises
        codes[again] = _verdicts(check, steady[again] + (noise[again] + others) / n, stage=1)
    good = steps_outside(true, check.limit.zone, check.limit.zone) == 0
    return good, codes == _CODES[Verdict.PASS], codes == _CODES[Verdict.FAIL]


def _verdicts(check: Check, readings: Any, *, stage: int) -> Any:
    zone = check.zones[stage]
    if zone.is_empty:  # as the judge: nothing can be accepted, and nobody knows
        return np.full(len(readings), _CODES[Verdict.UNDECIDED])
    table = np.array([_CODES[decide(step, check.limit.rule)[0]] for step in range(4)])
    return table[np.minimum(steps_outside(readings, check.limit.zone, zone), 3)]


def _count(good: "Flags", passed: "Flags", failed: "Flags") -> Counted:
    return Counted(
        units=len(good),
        conforming=int(good.sum()),
        accepted=int(passed.sum()),
        rejected=int(failed.sum()),
        false_acceptance=int((passed & ~good).sum()),
        false_rejection=int((failed & good).sum()),
    )


# Agreement


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """One predicted share held against its count."""

    name: str
    what: str  # false acceptance or false rejection
    predicted: float
    counted: int
    units: int
    interval: tuple[float, float]

    @property
    def agrees(self) -> bool:
        return self.interval[0] <= self.predicted <= self.interval[1]


def compare(
    predicted: Mapping[str, GlobalRisk], counted: Mapping[str, Counted], *, confidence: float = 0.99
) -> tuple[Agreement, ...]:
    """Hold predictions against counts by exact intervals (Clopper and Pearson 1934), simultaneous over all of them.

    Each interval has the confidence 1 − (1 − confidence)/m for m comparisons (Bonferroni), so that all predictions
    lie inside with at least ``confidence`` when the model is right.
    """
    each = 1 - (1 - confidence) / (2 * len(predicted))
    found = []
    for name, risk in predicted.items():
        count = counted[name]
        for what, share, hits in (
            ("false acceptance", risk.false_acceptance, count.false_acceptance),
            ("false rejection", risk.false_rejection, count.false_rejection),
        ):
            limits = binomial_limits(hits, count.units, confidence=each)
            found.append(
                Agreement(name=name, what=what, predicted=share, counted=hits, units=count.units, interval=limits)
            )
    return tuple(found)
