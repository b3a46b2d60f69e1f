"""Coverage factors: k for a coverage probability, from degrees of freedom or from the shape of what contributes.

Written out where a library would have them, because loading it takes longer than all budgets of a unit; the tests hold
them to that library and to the tables of the guides.
"""

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from statistics import NormalDist

from hil.core.records import BudgetRow

PROBABILITY = 0.9545  # so that k is 2.00 when nothing is estimated from few readings (EA-4/02)
MOST_SUMMED_DOF = 200  # degrees of freedom


@lru_cache(maxsize=4096)
def coverage_factor(probability: float = PROBABILITY, dof: float | None = None) -> float:
    """k = t_p(ν) with ν truncated to an integer (at least 1); normal when ν is None or infinite (GUM G.3, G.4).

    Raises:
        ValueError: a probability outside 0 … 1.
    """
    if not 0 < probability < 1:
        raise ValueError(f"a coverage probability lies between 0 and 1, not {probability!r}")
    if dof is None or math.isinf(dof):
        return NormalDist().inv_cdf((1 + probability) / 2)
    # 1e-9: a sum that should be an integer may come out a rounding error below it
    whole = max(1, math.floor(dof + 1e-9))
    if whole <= MOST_SUMMED_DOF:
        return math.sqrt(whole) * math.tan(
            _zero_of(lambda angle: _within(angle, whole) - probability, 0.0, math.pi / 2)
        )
    return _of_many(NormalDist().inv_cdf((1 + probability) / 2), whole)


def _of_many(z: float, dof: int) -> float:
    """t_p(ν) for large ν from the normal quantile: Abramowitz and Stegun 26.7.5."""
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + math.fsum(term / dof**power for power, term in enumerate(terms, start=1))


def _within(angle: float, dof: int) -> float:
    """P(|T| ≤ √ν·tan θ) for whole ν: the finite sums of Abramowitz and Stegun 26.7.3 and 26.7.4."""
    square, term, total = math.cos(angle) ** 2, 1.0, 0.0
    if dof % 2 == 0:
        for number in range(0, dof - 1, 2):
            total += term
            term *= square * (number + 1) / (number + 2)
        return math.sin(angle) * total
    for number in range(1, dof - 1, 2):
        total += term
        term *= square * (number + 1) / (number + 2)
    return 2 / math.pi * (angle + math.sin(angle) * math.cos(angle) * total)


def welch_satterthwaite(u: float, contributions: Sequence[tuple[float, float | None]]) -> float | None:
    """ν_eff = u⁴ / Σ(u_i⁴/ν_i) of uncorrelated contributions (GUM G.2b); None when infinite."""
    weight = math.fsum(part**4 / dof for part, dof in contributions if dof is not None and math.isfinite(dof))
    return u**4 / weight if weight else None


def dominant_factor(rows: Sequence[BudgetRow], probability: float = 0.95, *, ratio: float = 0.3) -> float | None:
    """k when one rectangular contribution outweighs all others: p·√3, 1.65 for 95 % (EA-4/02 S9.14).

    None when no rectangular row dominates, that is when the others together exceed ``ratio`` of it.
    """
    if not rows:
        return None
    largest = max(rows, key=lambda row: row.contribution)
    rest = math.sqrt(math.fsum(row.contribution**2 for row in rows if row is not largest))
    if largest.distribution != "rectangular" or rest > ratio * largest.contribution:
        return None
    return probability * math.sqrt(3)


def shaped_factor(rows: Sequence[BudgetRow], probability: float = PROBABILITY, u: float | None = None) -> float | None:
    """k of the two largest rectangular contributions folded with a normal one that stands for all others.

    Exact for those three. A triangle counts as the two rectangles that it is the sum of. k lies between p·√3 (one
    rectangle alone) and the normal k. What is known from ν readings is as wide as its t-distribution, √(ν/(ν − 2))
    (JCGM 101 6.4.9.4), which stands for its shape as long as the rectangles outweigh it: else None.

    Args:
        u: combined standard uncertainty where rows are correlated; None: from the rows.
    """
    straight: list[float] = []
    for row in rows:
        if row.distribution == "rectangular":
            straight.append(row.contribution)
        elif row.distribution == "triangular":
            straight += [row.contribution / math.sqrt(2)] * 2
    straight = sorted(straight, reverse=True)[:2]
    few = [(row.contribution**2, row.dof) for row in rows if row.dof is not None and math.isfinite(row.dof)]
    rectangles = math.fsum(part**2 for part in straight)
    if not rectangles or math.fsum(part for part, _ in few) > rectangles or any(dof <= 2 for _, dof in few):
        return None
    variance = math.fsum(row.contribution**2 for row in rows) if u is None else u**2
    others = max(0.0, variance - rectangles) + math.fsum(part * 2 / (dof - 2) for part, dof in few)
    second = straight[1] if len(straight) > 1 else 0.0
    half = _folded(second / straight[0], math.sqrt(others) / straight[0], probability)
    return half * straight[0] / math.sqrt(variance)


@lru_cache(maxsize=1024)
def _folded(second: float, rest: float, probability: float) -> float:
    """Half-width of the interval of two rectangles with u of 1 and ``second`` and a normal part of u ``rest``."""
    first_half, second_half = math.sqrt(3), math.sqrt(3) * second
    if second < 1e-3:  # too narrow for the differences below
        rest, second_half = math.hypot(rest, second), 0.0
    if rest < 1e-6 and not second_half:
        return probability * first_half
    sigma = max(rest, 1e-6)

    def below(z: float) -> float:  # of the normal part
        return 0.5 * math.erfc(-z / sigma / math.sqrt(2))

    def density(z: float) -> float:
        return math.exp(-0.5 * (z / sigma) ** 2) / math.sqrt(2 * math.pi)

    def once(z: float) -> float:  # its distribution function, integrated
        return z * below(z) + sigma * density(z)

    def twice(z: float) -> float:
        return 0.5 * ((z * z + sigma * sigma) * below(z) + z * sigma * density(z))

    def excess(reach: float) -> float:  # P(sum ≤ reach): the mean over the rectangles
        a, b = first_half, second_half
        if b:
            found = (twice(reach + a + b) - twice(reach + a - b) - twice(reach - a + b) + twice(reach - a - b)) / (
                4 * a * b
            )
        else:
            found = (once(reach + a) - once(reach - a)) / (2 * a)
        return found - (1 + probability) / 2

    return _zero_of(excess, 0.0, first_half + second_half + 9 * sigma)


def _zero_of(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function is zero: false position, the end that stays halved (Illinois rule)."""
    at_low, at_high = rising(low), rising(high)
    x, side = high, 0
    for _ in range(100):
        x = (low * at_high - high * at_low) / (at_high - at_low)
        at_x = rising(x)
        if abs(at_x) < 1e-14 or high - low < 1e-13 * high:
            break
        if at_x < 0:
            low, at_low = x, at_x
            at_high /= 2 if side < 0 else 1
            side = -1
        else:
            high, at_high = x, at_x
            at_low /= 2 if side > 0 else 1
            side = 1
    return x
