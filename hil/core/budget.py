"""Uncertainty budgets after the GUM (JCGM 100:2008): model + inputs -> named rows, u, effective dof, k, U.

    def error(indicated, reference): return indicated - reference
    found = budget(error, [readings("meter", [...]), expanded("reference", 100.08e-12, 0.05e-12)], unit="F")
    found.expanded_uncertainty, found.rows

The model is an ordinary function of the inputs in their order. It is called with uncertain numbers of the GUM Tree
Calculator here and with numpy arrays in `hil.core.montecarlo`; functions that suit both are in `hil.core.functions`.
Effective degrees of freedom come from the Welch-Satterthwaite formula (GUM G.4.1) and are truncated to the next lower
integer before the t-factor is looked up (GUM G.4.1, note 1), so U is never too small because of rounding.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hil.core.coverage_factor import PROBABILITY, coverage_factor, shaped_factor, welch_satterthwaite
from hil.core.inputs import Correlation, Input, correlation_matrix
from hil.core.records import BudgetRow
from hil.core.uncertain_numbers import gtc

Model = Callable[..., Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """What is known of one result: estimate, uncertainty, and where it comes from.

    ``interval`` is the coverage interval: value ± U, or the probabilistically symmetric one of a Monte Carlo
    calculation, whose ``expanded_uncertainty`` is then half its length. ``effective_dof`` None means infinite.
    """

    value: float
    unit: str
    rows: tuple[BudgetRow, ...]
    standard_uncertainty: float
    effective_dof: float | None
    coverage_factor: float
    expanded_uncertainty: float
    probability: float = PROBABILITY
    coverage: str = "t"  # how k was found: see `budget`
    interval: tuple[float, float]
    method: str = "GUM"  # or "Monte Carlo"
    notes: tuple[str, ...] = ()

    @property
    def type_a_uncertainty(self) -> float:
        """Combined u of the rows of kind A: what averaging more readings makes smaller."""
        return math.sqrt(math.fsum(row.contribution**2 for row in self.rows if row.kind == "A"))

    @property
    def shares(self) -> tuple[tuple[str, float], ...]:
        """Each row's part of the variance; with correlated inputs the parts need not add up to one."""
        variance = self.standard_uncertainty**2
        return tuple((row.name, row.contribution**2 / variance if variance else 0.0) for row in self.rows)

    def averaged(self, times: int) -> "Budget":
        """The budget when ``times`` as many readings are averaged: only rows of kind A shrink, by √times.

        Their degrees of freedom stay what they were: the spread is still known from the first readings.

        Raises:
            ValueError: fewer than one.
        """
        if times < 1:
            raise ValueError(f"readings are averaged 1 time or more, not {times!r}")
        if times == 1:
            return self
        factor = 1 / math.sqrt(times)
        before = self.type_a_uncertainty
        rows = tuple(
            replace(
                row,
                standard_uncertainty=row.standard_uncertainty * factor,
                contribution=row.contribution * factor,
            )
            if row.kind == "A"
            else row
            for row in self.rows
        )
        # Subtracting keeps what correlated rows of kind B have contributed.
        u = math.sqrt(self.standard_uncertainty**2 - before**2 * (1 - 1 / times))
        dof = welch_satterthwaite(u, [(row.contribution, row.dof) for row in rows])
        return _closed(self.value, self.unit, rows, u, dof, self.probability, self.coverage, self.notes)


def budget(
    model: Model,
    inputs: Sequence[Input],
    *,
    correlation: Correlation | None = None,
    unit: str = "",
    probability: float = PROBABILITY,
    coverage: str = "t",
) -> Budget:
    """Propagate uncertainties through a model to first order (GUM 5.1, 5.2).

    Args:
        model: function of the inputs in their order.
        inputs: input quantities, names unique.
        correlation: (name, name) -> r for those that are correlated.
        unit: of the result.
        probability: coverage probability of the interval.
        coverage: "t" takes k from the t-distribution (GUM G.4); "shape" takes the interval of the distribution itself
            unless few readings outweigh all that is rectangular (`shaped_factor`); then t.

    Raises:
        ValueError: two inputs of one name, a correlation matrix that is not one, or correlated inputs whose degrees of
            freedom are finite and differ (no effective degrees of freedom exist then).
    """
    names = [entry.name for entry in inputs]
    if len(set(names)) != len(names):
        twin = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"two inputs are named {twin!r}; give each its own name")
    if correlation:
        correlation_matrix(inputs, correlation)
    numbers = _uncertain_numbers(inputs, correlation or {})
    result = model(*numbers)
    if not hasattr(result, "u_component"):  # the model does not depend on its inputs
        return _closed(float(result), unit, (), 0.0, None, probability, coverage, ())
    rows = []
    for entry, number in zip(inputs, numbers, strict=True):
        component = result.u_component(number)
        rows.append(
            BudgetRow(
                name=entry.name,
                standard_uncertainty=entry.standard_uncertainty,
                unit=entry.unit,
                sensitivity=component / entry.standard_uncertainty,
                contribution=abs(component),
                kind=entry.kind,
                distribution=entry.distribution,
                dof=entry.dof,
            )
        )
    u = float(result.u)
    notes = ("first-order uncertainty is zero: the model is stationary here; use Monte Carlo",) if u == 0 else ()
    dof = float(result.df) if u else math.inf
    if math.isnan(dof):
        raise ValueError("correlated inputs need equal degrees of freedom (read together), or infinite ones")
    return _closed(
        float(result.x), unit, tuple(rows), u, None if math.isinf(dof) else dof, probability, coverage, notes
    )


def linear_budget(
    value: float,
    inputs: Sequence[Input],
    sensitivities: Sequence[float],
    *,
    correlation: Correlation | None = None,
    unit: str = "",
    probability: float = PROBABILITY,
    coverage: str = "t",
) -> Budget:
    """The budget of a value that is a sum of its inputs, each times its sensitivity: exact (GUM 5.1.2, 5.2.2).

    As `budget` finds it for such a model, without differentiating anything.

    Args:
        value: of the result, with the values of the inputs in it.
        correlation: (name, name) -> r for those that are correlated.

    Raises:
        ValueError: a correlation matrix that is not one, or correlated inputs of finite degrees of freedom.
    """
    rows = tuple(
        BudgetRow(
            name=entry.name,
            standard_uncertainty=entry.standard_uncertainty,
            unit=entry.unit,
            sensitivity=sensitivity,
            contribution=abs(sensitivity * entry.standard_uncertainty),
            kind=entry.kind,
            distribution=entry.distribution,
            dof=entry.dof,
        )
        for entry, sensitivity in zip(inputs, sensitivities, strict=True)
    )
    variance = math.fsum(row.contribution**2 for row in rows)
    if correlation:
        correlation_matrix(inputs, correlation)
        signed = {row.name: row.sensitivity * row.standard_uncertainty for row in rows}
        variance += math.fsum(2 * r * signed[first] * signed[second] for (first, second), r in correlation.items())
        if any(row.dof is not None for row in rows if any(row.name in pair for pair in correlation)):
            raise ValueError("correlated inputs need infinite degrees of freedom in a linear budget; use budget()")
    u = math.sqrt(max(0.0, variance))
    dof = welch_satterthwaite(u, [(row.contribution, row.dof) for row in rows]) if u else None
    return _closed(value, unit, rows, u, dof, probability, coverage, ())


def sensitivities(model: Model, inputs: Sequence[Input]) -> list[float]:
    """How much the result moves per unit of each input: half its change between ±u, over u (GUM 5.1.3, note 2)."""
    values = [entry.value for entry in inputs]

    def moved(place: int, by: float) -> float:
        return float(model(*values[:place], values[place] + by, *values[place + 1 :]))

    steps = [entry.standard_uncertainty for entry in inputs]
    return [(moved(place, u) - moved(place, -u)) / (2 * u) for place, u in enumerate(steps)]


def _uncertain_numbers(inputs: Sequence[Input], correlation: Correlation) -> list[Any]:
    pairs = {name for pair, coefficient in correlation.items() if coefficient for name in pair}
    # Inputs read together form an ensemble: the Welch-Satterthwaite formula then still holds (Willink 2007).
    together: dict[float, list[int]] = {}
    numbers: list[Any] = [None] * len(inputs)
    for index, entry in enumerate(inputs):
        dof = math.inf if entry.dof is None else entry.dof
        if entry.name in pairs and math.isfinite(dof):
            together.setdefault(dof, []).append(index)
        else:
            free = entry.name not in pairs
            numbers[index] = gtc().ureal(entry.value, entry.standard_uncertainty, dof, entry.name, independent=free)
    if len(together) > 1:
        raise ValueError("correlated inputs need equal degrees of freedom (read together), or infinite ones")
    for dof, members in together.items():
        chosen = [inputs[index] for index in members]
        made = gtc().multiple_ureal(
            [entry.value for entry in chosen],
            [entry.standard_uncertainty for entry in chosen],
            dof,
            [entry.name for entry in chosen],
        )
        for index, number in zip(members, made, strict=True):
            numbers[index] = number
    place = {entry.name: index for index, entry in enumerate(inputs)}
    for (first, second), coefficient in correlation.items():
        if coefficient:
            a, b = inputs[place[first]], inputs[place[second]]
            if (a.dof is None) is not (b.dof is None):
                raise ValueError("correlated inputs need equal degrees of freedom (read together), or infinite ones")
            gtc().set_correlation(coefficient, numbers[place[first]], numbers[place[second]])
    return numbers


def _closed(
    value: float,
    unit: str,
    rows: tuple[BudgetRow, ...],
    u: float,
    dof: float | None,
    probability: float,
    coverage: str,
    notes: tuple[str, ...],
) -> Budget:
    shaped = shaped_factor(rows, probability, u) if coverage == "shape" else None
    k = coverage_factor(probability, dof) if shaped is None else shaped
    return Budget(
        value=value,
        unit=unit,
        rows=rows,
        standard_uncertainty=u,
        effective_dof=dof,
        coverage_factor=k,
        expanded_uncertainty=k * u,
        probability=probability,
        coverage=coverage,
        interval=(value - k * u, value + k * u),
        notes=notes,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOrder:
    """What the next order of the Taylor series adds for one pair of inputs (both may be the same)."""

    first: str
    second: str
    variance: float  # may be negative

    @property
    def contribution(self) -> float:
        """Its square root, signed like the variance, in the unit of the result."""
        return math.copysign(math.sqrt(abs(self.variance)), self.variance)


def second_order(model: Model, inputs: Sequence[Input]) -> tuple[SecondOrder, ...]:
    """Second-order terms of the variance for uncorrelated, symmetric inputs, largest first (note to GUM 5.1.2, H.1.7).

    Σ_i Σ_j [½ (∂²f/∂x_i∂x_j)² + ∂f/∂x_i · ∂³f/∂x_i∂x_j²] u²(x_i) u²(x_j), with derivatives from differences one
    standard uncertainty wide: they are needed where the inputs may really be, and to two digits. Terms below the
    rounding error of the differences are left out.
    """
    centre = [entry.value for entry in inputs]
    width = [entry.standard_uncertainty for entry in inputs]
    count = len(inputs)

    def at(**steps: float) -> float:
        moved = list(centre)
        for index, step in steps.items():
            moved[int(index[1:])] += step * width[int(index[1:])]
        return float(model(*moved))

    middle = at()
    plus = [at(**{f"i{i}": 1.0}) for i in range(count)]
    minus = [at(**{f"i{i}": -1.0}) for i in range(count)]
    first = [(plus[i] - minus[i]) / 2 for i in range(count)]
    noise = (8 * 2.3e-16 * max(map(abs, [middle, *plus, *minus]))) ** 2
    terms = []
    for i in range(count):
        for j in range(i, count):
            if i == j:
                second = plus[i] - 2 * middle + minus[i]
                third = (at(**{f"i{i}": 2.0}) - at(**{f"i{i}": -2.0})) / 2 - (plus[i] - minus[i])
                variance = second**2 / 2 + first[i] * third
            else:
                corner = {(a, b): at(**{f"i{i}": a, f"i{j}": b}) for a in (1.0, -1.0) for b in (1.0, -1.0)}
                mixed = (corner[1, 1] - corner[1, -1] - corner[-1, 1] + corner[-1, -1]) / 4
                i_jj = (
                    (corner[1, 1] - 2 * plus[i] + corner[1, -1]) - (corner[-1, 1] - 2 * minus[i] + corner[-1, -1])
                ) / 2
                j_ii = (
                    (corner[1, 1] - 2 * plus[j] + corner[-1, 1]) - (corner[1, -1] - 2 * minus[j] + corner[-1, -1])
                ) / 2
                variance = mixed**2 + first[i] * i_jj + first[j] * j_ii
            if abs(variance) > max(noise, 1e-12 * math.fsum(part**2 for part in first)):
                terms.append(SecondOrder(first=inputs[i].name, second=inputs[j].name, variance=variance))
    return tuple(sorted(terms, key=lambda term: -abs(term.variance)))
