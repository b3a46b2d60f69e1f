"""Propagation of distributions by Monte Carlo (JCGM 101:2008), and whether the GUM framework would have done.

    found = propagate(model, inputs, draws=1_000_000, seed=1)     # a fixed number of draws
    found = adaptive(model, inputs, seed=1, digits=2)             # until stable to two digits of u (clause 7.9)
    chosen = evaluate(model, inputs, seed=1, unit="F")            # GUM where clause 8 validates it, else Monte Carlo

Every input draws from a stream of its own, told from the seed and its name: a new input does not shift the others.
Correlated inputs must be normal or t with equal degrees of freedom (JCGM 101 6.4.8, JCGM 102 5.3.2).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from hil.core.budget import Budget, Model, budget
from hil.core.coverage_factor import PROBABILITY
from hil.core.inputs import Correlation, Input, correlation_matrix, stream_number
from hil.core.records import BudgetRow

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

# Half-widths of the shapes whose standard deviation is one.
HALF_WIDTHS = {"rectangular": math.sqrt(3), "triangular": math.sqrt(6), "arcsine": math.sqrt(2)}
BLOCK = 16_384  # draws at a time: inputs and intermediate results stay in the processor's cache


@dataclass(frozen=True, slots=True, kw_only=True)
class MonteCarlo:
    """What the draws of a result say. ``interval`` is probabilistically symmetric, ``shortest`` the shortest one."""

    value: float
    standard_uncertainty: float
    interval: tuple[float, float]
    shortest: tuple[float, float]
    probability: float
    draws: int
    is_stable: bool = True  # False: the adaptive procedure ran out of draws


def draw(
    model: Model, inputs: Sequence[Input], *, draws: int, seed: int, correlation: Correlation | None = None
) -> "Values":
    """Values of the model for random values of its inputs (JCGM 101 7.2 to 7.4), in the order drawn.

    Raises:
        ValueError: correlated inputs that are neither normal nor t with equal degrees of freedom.
    """
    sampler = _Sampler(inputs, correlation or {}, seed)
    result = np.empty(draws)
    for start in range(0, draws, BLOCK):
        size = min(BLOCK, draws - start)
        result[start : start + size] = model(*sampler.block(size))
    return result


def summarise(values: "Values", probability: float = PROBABILITY) -> MonteCarlo:
    """Mean, standard deviation and coverage intervals (JCGM 101 7.6, 7.7). Sorts the array in place.

    Raises:
        ValueError: too few draws for an interval of that probability.
    """
    count = len(values)
    inside = round(probability * count)
    if not 0 < inside < count:
        raise ValueError(f"{count} draws are too few for a coverage probability of {probability!r}")
    mean, u = float(np.mean(values)), float(np.std(values, ddof=1))
    values.sort()
    low = (count - inside) // 2
    lengths = values[inside:] - values[: count - inside]
    shortest = int(np.argmin(lengths))
    return MonteCarlo(
        value=mean,
        standard_uncertainty=u,
        interval=(float(values[low]), float(values[low + inside])),
        shortest=(float(values[shortest]), float(values[shortest + inside])),
        probability=probability,
        draws=count,
    )


def propagate(
    model: Model,
    inputs: Sequence[Input],
    *,
    draws: int = 1_000_000,
    seed: int = 0,
    probability: float = PROBABILITY,
    correlation: Correlation | None = None,
) -> MonteCarlo:
    """Draw a fixed number of times and summarise."""
    return summarise(draw(model, inputs, draws=draws, seed=seed, correlation=correlation), probability)


def adaptive(
    model: Model,
    inputs: Sequence[Input],
    *,
    tolerance: float | None = None,
    digits: int = 2,
    seed: int = 0,
    probability: float = PROBABILITY,
    correlation: Correlation | None = None,
    most_draws: int = 20_000_000,
) -> MonteCarlo:
    """Draw until estimate, u and both ends of the interval are stable (JCGM 101 7.9.4).

    Args:
        tolerance: numerical tolerance; None: from u and ``digits``, its significant digits.
        most_draws: give up there; the result then says so.
    """
    size = max(math.ceil(100 / (1 - probability)), 10_000)
    sampler = _Sampler(inputs, correlation or {}, seed)
    blocks: list[Values] = []
    figures: list[tuple[float, float, float, float]] = []
    while True:
        values = np.empty(size)
        values[:] = model(*sampler.block(size))
        blocks.append(values)
        part = summarise(values, probability)
        figures.append((part.value, part.standard_uncertainty, *part.interval))
        if len(blocks) < 2:
            continue
        spread = np.std(figures, axis=0, ddof=1) / math.sqrt(len(blocks))
        u = float(np.mean([row[1] for row in figures]))
        limit = numerical_tolerance(u, digits) if tolerance is None else tolerance
        is_stable = bool(np.all(2 * spread < limit))
        if is_stable or (len(blocks) + 1) * size > most_draws:
            return replace(summarise(np.concatenate(blocks), probability), is_stable=is_stable)


def numerical_tolerance(u: float, digits: int) -> float:
    """δ = ½·10^l where u = c·10^l and c has that many digits (JCGM 101 7.9.2)."""
    if not (math.isfinite(u) and u > 0):
        return 0.0
    exponent = int(f"{u:.{digits - 1}e}".split("e")[1]) - (digits - 1)
    return 0.5 * float(f"1e{exponent}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The GUM interval held against the Monte Carlo one (JCGM 101 clause 8)."""

    low_difference: float
    high_difference: float
    tolerance: float

    @property
    def is_validated(self) -> bool:
        """Whether the GUM framework gives this interval to the digits asked for."""
        return self.low_difference <= self.tolerance and self.high_difference <= self.tolerance


def compare(gum: Budget, monte_carlo: MonteCarlo, *, digits: int = 2, shortest: bool = False) -> Comparison:
    """Compare the two coverage intervals end by end, to ``digits`` of u."""
    low, high = monte_carlo.shortest if shortest else monte_carlo.interval
    # u of the draws, not of the budget: at a stationary point of the model the budget's u is zero.
    u = gum.standard_uncertainty or monte_carlo.standard_uncertainty
    return Comparison(
        low_difference=abs(gum.interval[0] - low),
        high_difference=abs(gum.interval[1] - high),
        tolerance=numerical_tolerance(u, digits),
    )


def evaluate(
    model: Model,
    inputs: Sequence[Input],
    *,
    unit: str = "",
    probability: float = PROBABILITY,
    correlation: Correlation | None = None,
    coverage: str = "t",
    digits: int = 2,
    seed: int = 0,
    most_draws: int = 4_000_000,
) -> Budget:
    """The GUM budget where Monte Carlo validates it, else the Monte Carlo result with the same rows (JCGM 101 8).

    Monte Carlo runs to a fifth of the tolerance of the comparison (JCGM 101 8.2), or as near as its draws allow.
    """
    gum = budget(model, inputs, correlation=correlation, unit=unit, probability=probability, coverage=coverage)
    tolerance = numerical_tolerance(gum.standard_uncertainty, digits) / 5 or None
    drawn = adaptive(
        model,
        inputs,
        tolerance=tolerance,
        digits=digits,
        seed=seed,
        probability=probability,
        correlation=correlation,
        most_draws=most_draws,
    )
    found = compare(gum, drawn, digits=digits)
    said = (
        f"ends of the intervals differ by {found.low_difference:.2g} and {found.high_difference:.2g}, "
        f"{found.tolerance:.2g} allowed (JCGM 101 clause 8)"
    )
    if found.is_validated:
        return replace(gum, notes=(*gum.notes, f"GUM validated by Monte Carlo: {said}"))
    low, high = drawn.interval
    u = drawn.standard_uncertainty
    return replace(
        gum,
        value=drawn.value,
        standard_uncertainty=u,
        effective_dof=None,
        coverage_factor=(high - low) / 2 / u,
        expanded_uncertainty=(high - low) / 2,
        interval=drawn.interval,
        method="Monte Carlo",
        notes=(*gum.notes, f"Monte Carlo used: {said}"),
    )


def hold_against_rows(
    rows: Sequence[BudgetRow], expanded_uncertainty: float, *, digits: int = 2, draws: int = 400_000, seed: int = 0
) -> Comparison:
    """Clause 8 comparison of ±U with the distribution that uncorrelated rows of a linear model add up to."""
    inputs = [
        Input(
            name=f"{number} {row.name}",
            value=0.0,
            standard_uncertainty=1.0,
            dof=row.dof,
            distribution=row.distribution if row.distribution in HALF_WIDTHS else "normal",
            half_width=HALF_WIDTHS.get(row.distribution),
        )
        for number, row in enumerate(rows)
    ]
    weights = [row.contribution for row in rows]
    drawn = propagate(
        lambda *terms: sum(weight * term for weight, term in zip(weights, terms, strict=True)),
        inputs,
        draws=draws,
        seed=seed,
    )
    u = math.sqrt(math.fsum(weight**2 for weight in weights))
    return Comparison(
        low_difference=abs(-expanded_uncertainty - drawn.interval[0]),
        high_difference=abs(expanded_uncertainty - drawn.interval[1]),
        tolerance=numerical_tolerance(u, digits),
    )


class _Sampler:
    """Random values of all inputs, block by block."""

    def __init__(self, inputs: Sequence[Input], correlation: Correlation, seed: int) -> None:
        self._inputs = inputs
        self._streams = [np.random.default_rng([seed, stream_number(entry.name)]) for entry in inputs]
        pairs = {name for pair, coefficient in correlation.items() if coefficient for name in pair}
        self._together = [index for index, entry in enumerate(inputs) if entry.name in pairs]
        if not self._together:
            return
        chosen = [inputs[index] for index in self._together]
        strange = [entry.name for entry in chosen if not entry.is_gaussian]
        if strange:
            raise ValueError(f"{strange[0]}: correlated inputs must be normal to be drawn; state its u as normal")
        dofs = {math.inf if entry.dof is None else entry.dof for entry in chosen}
        if len(dofs) > 1:
            raise ValueError("correlated inputs need equal degrees of freedom (read together), or infinite ones")
        self._dof = dofs.pop()
        matrix = correlation_matrix(inputs, correlation)[np.ix_(self._together, self._together)]
        weights, vectors = np.linalg.eigh(matrix)  # not Cholesky: r = ±1 makes the matrix singular
        self._root = vectors * np.sqrt(np.maximum(weights, 0.0))

    def block(self, size: int) -> list["Values"]:
        """The next values, one array an input."""
        together = set(self._together)
        drawn: list[Values] = [
            np.empty(0) if index in together else entry.draw(rng, size)
            for index, (entry, rng) in enumerate(zip(self._inputs, self._streams, strict=True))
        ]
        if together:
            rng = self._streams[self._together[0]]
            steps = self._root @ rng.standard_normal((len(self._together), size))
            if math.isfinite(self._dof):
                steps /= np.sqrt(rng.chisquare(self._dof, size) / self._dof)
            for index, step in zip(self._together, steps, strict=True):
                drawn[index] = self._inputs[index].value + self._inputs[index].standard_uncertainty * step
        return drawn
