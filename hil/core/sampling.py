"""Proportions with intervals, and sampling by attributes.

Intervals come from statsmodels. The tables are those of MIL-STD-105E, a US government document; ISO 2859-1:1999 has the
same single plans for these acceptance quality limits (from memory). Arrows of the tables are resolved to the plan they
point to.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Proportion:
    """A counted share with its confidence interval."""

    count: int
    total: int
    lower: float
    upper: float

    @property
    def share(self) -> float:
        """The share itself; NaN of nothing."""
        return self.count / self.total if self.total else math.nan


METHODS = {"exact": "beta", "wilson": "wilson", "agresti_coull": "agresti_coull"}


def proportion(count: int, total: int, *, confidence: float = 0.95, method: str = "exact") -> Proportion:
    """A share with its interval; ``exact`` is Clopper-Pearson.

    Raises:
        ValueError: a count outside 0 … total, or an unknown method.
    """
    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share")
    if method not in METHODS:
        raise ValueError(f"method {method!r} is not known; known: {', '.join(METHODS)}")
    if total == 0:
        return Proportion(count=0, total=0, lower=0.0, upper=1.0)
    if method == "exact":
        # The exact interval is a beta quantile; statsmodels and scipy.stats would cost seconds to import.
        from scipy.special import betaincinv

        alpha = (1 - confidence) / 2
        lower = float(betaincinv(count, total - count + 1, alpha)) if count else 0.0
        upper = float(betaincinv(count + 1, total - count, 1 - alpha)) if count < total else 1.0
    else:
        from statsmodels.stats.proportion import proportion_confint

        found = proportion_confint(count, total, alpha=1 - confidence, method=METHODS[method])
        lower, upper = (min(1.0, max(0.0, float(edge))) for edge in found)
    return Proportion(count=count, total=total, lower=lower, upper=upper)


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingPlan:
    """Single sampling by attributes: take ``n``, accept up to ``accept`` nonconforming ones."""

    n: int
    accept: int

    @property
    def reject(self) -> int:
        """Smallest number that rejects."""
        return self.accept + 1

    def acceptance(self, share: float) -> float:
        """Probability that a lot with this share of nonconforming units is accepted (binomial)."""
        from scipy.stats import binom

        return float(binom.cdf(self.accept, self.n, share))

    def average_outgoing(self, share: float, lot: int | None = None) -> float:
        """Average outgoing quality when rejected lots are sorted completely; a very large lot when None."""
        return self.acceptance(share) * share * (1.0 if lot is None else (lot - self.n) / lot)

    def average_inspected(self, share: float, lot: int) -> float:
        """Average number of units inspected per lot when rejected lots are sorted completely."""
        return self.n + (1 - self.acceptance(share)) * (lot - self.n)

    def worst_outgoing(self, lot: int | None = None) -> tuple[float, float]:
        """(share, average outgoing quality) where the latter is largest."""
        from scipy.optimize import minimize_scalar

        found = minimize_scalar(lambda p: -self.average_outgoing(p, lot), bounds=(1e-9, 1 - 1e-9), method="bounded")
        return float(found.x), float(-found.fun)


def find_plan(
    producer_share: float,
    producer_acceptance: float,
    consumer_share: float,
    consumer_acceptance: float,
    most: int = 5000,
) -> SamplingPlan:
    """The smallest single plan that accepts good lots and refuses bad ones as often as wanted.

    Raises:
        ValueError: shares in the wrong order, or no plan of up to ``most`` units.
    """
    from scipy.stats import binom

    if not 0 < producer_share < consumer_share < 1:
        raise ValueError("the producer's share must be below the consumer's, both between 0 and 1")
    accept = 0
    for n in range(1, most + 1):
        while binom.cdf(accept, n, producer_share) < producer_acceptance:
            accept += 1
        if accept < n and binom.cdf(accept, n, consumer_share) <= consumer_acceptance:
            return SamplingPlan(n=n, accept=accept)
    raise ValueError(f"no plan of up to {most} units does that; allow more risk")


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingTables:
    """Tables as read from reports/tables: letters by (largest lot, level), plans by (letter, AQL in percent)."""

    letters: tuple[tuple[float, Mapping[str, str]], ...]  # (largest lot of the row, level -> letter), ascending
    plans: Mapping[tuple[str, float], SamplingPlan]

    def letter(self, lot: int, level: str = "II") -> str:
        """Code letter of a lot size.

        Raises:
            ValueError: a lot of fewer than two units, or an unknown level.
        """
        if lot < 2:
            raise ValueError(f"a lot of {lot} is not sampled: check the unit itself")
        for largest, by_level in self.letters:
            if lot <= largest:
                if level not in by_level:
                    raise ValueError(f"level {level!r} is not known; known: {', '.join(by_level)}")
                return by_level[level]
        raise ValueError(f"no row for a lot of {lot}")

    def plan(self, lot: int, aql_percent: float, level: str = "II") -> SamplingPlan:
        """The plan for a lot; never more than the lot itself.

        Raises:
            ValueError: an AQL the table does not have.
        """
        letter = self.letter(lot, level)
        if (letter, aql_percent) not in self.plans:
            known = sorted({aql for code, aql in self.plans if code == letter})
            raise ValueError(
                f"AQL {aql_percent:g} % is not in the table; there are {', '.join(f'{a:g}' for a in known)}"
            )
        found = self.plans[letter, aql_percent]
        return SamplingPlan(n=min(found.n, lot), accept=found.accept)


def next_severity(severity: str, accepted: tuple[bool, ...]) -> str:
    """Switching after the lots of this severity so far: normal ↔ tightened, and stop (ISO 2859-1 clause 9.3).

    Tightened after 2 of 5 consecutive lots rejected; back to normal after 5 accepted in a row; stopped when 5 lots have
    been rejected on tightened inspection.

    Raises:
        ValueError: an unknown severity.
    """
    if severity == "normal":
        return "tightened" if accepted[-5:].count(False) >= 2 else "normal"
    if severity == "tightened":
        if accepted.count(False) >= 5:
            return "stopped"
        return "normal" if len(accepted) >= 5 and all(accepted[-5:]) else "tightened"
    if severity == "stopped":
        return "stopped"
    raise ValueError(f"severity {severity!r} is not known; known: normal, tightened, stopped")
