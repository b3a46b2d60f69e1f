"""Gage studies: how much of a spread is the bench's own (AIAG Measurement Systems Analysis, 4th ed. 2010, chapter III).

Crossed studies (every unit by every operator, repeated) by analysis of variance and by average and range; nested
studies (fittings of a unit, or units of an operator) by analysis of variance, or level by level from the bottom up;
bias and linearity against reference parts.

Readings come as an array of shape (units, operators, repeats), nested ones (outer, inner, repeats). The study variation
is 6 standard deviations (AIAG 4th ed.; the older 5.15 circulates too and is not used here). The number of distinct
categories is 1.41·PV/GRR, truncated (AIAG), at least 1.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.core.variance import Component, Squares, Weights, weighted

POOLING_ALPHA = 0.25  # AIAG's advice: the interaction joins repeatability when its p-value exceeds this
STUDY_SIGMAS = 6.0
CATEGORIES_FACTOR = 1.41  # as AIAG prints √2


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One line of the analysis of variance. F and p are None for the residual, or where the residual is zero."""

    name: str
    sum_of_squares: float
    dof: int
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GageStudy:
    """What a study found. Components: repeatability, operator, interaction, reproducibility, gage, unit, total.

    ``pooled`` tells whether the interaction joined repeatability; ``method`` is "anova", "range" or "nested". A
    study of fittings has a component of that name instead of operator; neither nested study has an interaction.
    """

    method: str
    sources: tuple[Source, ...]
    components: tuple[Component, ...]
    pooled: bool

    def component(self, name: str) -> Component:
        """One component by name."""
        return next(one for one in self.components if one.name == name)

    def share_of_study(self, name: str) -> float:
        """Standard deviation as a share of the total one; 0 when nothing varies."""
        total = self.component("total").sd
        return self.component(name).sd / total if total else 0.0

    def share_of_tolerance(self, name: str, tolerance: float) -> float:
        """Six standard deviations as a share of the tolerance's width (upper less lower limit)."""
        return STUDY_SIGMAS * self.component(name).sd / tolerance

    @property
    def categories(self) -> float:
        """1.41·PV/GRR before truncation; infinite when the gage does not vary and the units do."""
        gage, unit = self.component("gage").sd, self.component("unit").sd
        if gage == 0:
            return math.inf if unit > 0 else 1.0
        return CATEGORIES_FACTOR * unit / gage

    @property
    def distinct_categories(self) -> float:
        """Number of distinct categories: truncated, at least 1 (rounding instead gives one more in half the cases)."""
        return self.categories if math.isinf(self.categories) else max(1, math.floor(self.categories))


def _array(readings: Any) -> NDArray[np.float64]:
    values = np.asarray(readings, dtype=float)
    if values.ndim != 3:
        raise ValueError(f"readings have the shape (units, operators, repeats), not {values.shape}")
    units, operators, repeats = values.shape
    if units < 2 or operators < 2 or repeats < 2:
        raise ValueError(f"a study needs 2 units, 2 operators and 2 repeats or more, not {values.shape}")
    if not np.isfinite(values).all():
        raise ValueError("a crossed study has no missing readings; take the missing ones again")
    # Differences from the grand mean: sums of squares of raw frequencies would lose all digits.
    return np.asarray(values - values.mean())


def crossed(readings: Any, *, pooling_alpha: float = POOLING_ALPHA, confidence: float = 0.95) -> GageStudy:
    """Analysis of variance of a crossed study, all factors random.

    Args:
        readings: shape (units, operators, repeats).
        pooling_alpha: the interaction is pooled when its p-value exceeds this; 0 pools always, 1 never.
        confidence: of the intervals of the components (modified large sample for sums, exact for repeatability).

    Raises:
        ValueError: too few units, operators or repeats, or readings missing.
    """
    values = _array(readings)
    units, operators, repeats = values.shape
    cell = values.mean(axis=2)
    by_unit, by_operator = values.mean(axis=(1, 2)), values.mean(axis=(0, 2))
    dof_u, dof_o = units - 1, operators - 1
    dof_i, dof_e = dof_u * dof_o, units * operators * (repeats - 1)
    ss_u = operators * repeats * float((by_unit**2).sum())
    ss_o = units * repeats * float((by_operator**2).sum())
    ss_i = repeats * float(((cell - by_unit[:, None] - by_operator[None, :]) ** 2).sum())
    ss_e = float(((values - cell[:, :, None]) ** 2).sum())
    ms_u, ms_o, ms_i, ms_e = ss_u / dof_u, ss_o / dof_o, ss_i / dof_i, ss_e / dof_e

    f_i, p_i = _tested(ms_i, dof_i, ms_e, dof_e)
    pooled = p_i is None or p_i > pooling_alpha
    if pooled:
        ms_e, dof_e_used = (ss_i + ss_e) / (dof_i + dof_e), dof_i + dof_e
        against, against_dof = ms_e, dof_e_used
    else:
        dof_e_used, against, against_dof = dof_e, ms_i, dof_i
    f_u, p_u = _tested(ms_u, dof_u, against, against_dof)
    f_o, p_o = _tested(ms_o, dof_o, against, against_dof)
    sources = (
        Source(name="unit", sum_of_squares=ss_u, dof=dof_u, mean_square=ms_u, f=f_u, p=p_u),
        Source(name="operator", sum_of_squares=ss_o, dof=dof_o, mean_square=ms_o, f=f_o, p=p_o),
        Source(name="interaction", sum_of_squares=ss_i, dof=dof_i, mean_square=ms_i, f=f_i, p=p_i),
        Source(name="repeatability", sum_of_squares=ss_e, dof=dof_e, mean_square=ss_e / dof_e),
    )
    squares = {"u": (ms_u, dof_u), "o": (ms_o, dof_o), "i": (ms_i, dof_i), "e": (ms_e, dof_e_used)}
    base = "e" if pooled else "i"
    n_u, n_o, n_r = units, operators, repeats
    combinations: dict[str, dict[str, float]] = {
        "repeatability": {"e": 1.0},
        "operator": {"o": 1 / (n_u * n_r), base: -1 / (n_u * n_r)},
        "interaction": {} if pooled else {"i": 1 / n_r, "e": -1 / n_r},
        "unit": {"u": 1 / (n_o * n_r), base: -1 / (n_o * n_r)},
    }
    components = _components(combinations, squares, confidence)
    return GageStudy(method="anova", sources=sources, components=components, pooled=pooled)


def nested_study(readings: Any, *, outer: str = "unit", inner: str = "fitting", confidence: float = 0.95) -> GageStudy:
    """Analysis of variance of a balanced nested study, all factors random.

    Args:
        readings: shape (outer, inner, repeats): fittings of a unit, or units of an operator (outer="operator",
            inner="unit"), each read several times.
        confidence: as for `crossed`.

    Raises:
        ValueError: fewer than two of something, readings missing, or neither level is the unit.
    """
    if "unit" not in (outer, inner):
        raise ValueError(f"one level of a nested study is the unit, not {outer} and {inner}")
    values = _array(readings)
    outers, inners, repeats = values.shape
    by_outer, cell = values.mean(axis=(1, 2)), values.mean(axis=2)
    dof_o, dof_i, dof_e = outers - 1, outers * (inners - 1), outers * inners * (repeats - 1)
    ss_o = inners * repeats * float((by_outer**2).sum())
    ss_i = repeats * float(((cell - by_outer[:, None]) ** 2).sum())
    ss_e = float(((values - cell[:, :, None]) ** 2).sum())
    ms_o, ms_i, ms_e = ss_o / dof_o, ss_i / dof_i, ss_e / dof_e
    f_o, p_o = _tested(ms_o, dof_o, ms_i, dof_i)
    f_i, p_i = _tested(ms_i, dof_i, ms_e, dof_e)
    sources = (
        Source(name=outer, sum_of_squares=ss_o, dof=dof_o, mean_square=ms_o, f=f_o, p=p_o),
        Source(name=inner, sum_of_squares=ss_i, dof=dof_i, mean_square=ms_i, f=f_i, p=p_i),
        Source(name="repeatability", sum_of_squares=ss_e, dof=dof_e, mean_square=ms_e),
    )
    below = inners * repeats
    combinations: dict[str, dict[str, float]] = {
        "repeatability": {"e": 1.0},
        inner: {"i": 1 / repeats, "e": -1 / repeats},
        outer: {"o": 1 / below, "i": -1 / below},
    }
    squares = {"o": (ms_o, dof_o), "i": (ms_i, dof_i), "e": (ms_e, dof_e)}
    return GageStudy(
        method="nested", sources=sources, components=_components(combinations, squares, confidence), pooled=False
    )


def _tested(upper: float, upper_dof: int, lower: float, lower_dof: int) -> tuple[float | None, float | None]:
    """F and its p-value; None where there is nothing to hold it against."""
    from scipy import special  # late: costs a quarter of a second

    if lower <= 0:
        return None, None
    f = upper / lower
    return f, float(special.fdtrc(upper_dof, lower_dof, f))


def _components(combinations: Mapping[str, Weights], squares: Squares, confidence: float) -> tuple[Component, ...]:
    """Each component, and the sums: reproducibility, gage, total.

    Sums are made of the components as reported (negative ones are zero), their intervals of the mean squares.
    """
    components = {name: weighted(name, weights, squares, confidence) for name, weights in combinations.items()}
    reproducing = [name for name in combinations if name not in ("repeatability", "unit")]
    sums = {
        "reproducibility": reproducing,
        "gage": ["repeatability", *reproducing],
        "total": ["repeatability", *reproducing, "unit"],
    }
    for name, members in sums.items():
        weights: dict[str, float] = {}
        for member in members:
            if components[member].variance > 0 or member == "repeatability":
                for key, weight in combinations[member].items():
                    weights[key] = weights.get(key, 0.0) + weight
        interval = weighted(name, weights, squares, confidence)
        variance = sum(components[member].variance for member in members)
        components[name] = Component(name=name, variance=variance, lower=interval.lower, upper=interval.upper)
    return tuple(components.values())


# K factors of AIAG MSA 4th ed.: 1/d2*, printed to four digits.
K1 = {2: 0.8862, 3: 0.5908}
K2 = {2: 0.7071, 3: 0.5231}
K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}


def average_range(readings: Any) -> GageStudy:
    """Average and range method of AIAG MSA 4th ed.; 2 or 3 repeats, 2 or 3 operators, 2 to 10 units.

    Raises:
        ValueError: a shape for which the handbook has no factor.
    """
    values = _array(readings)
    units, operators, repeats = values.shape
    if repeats not in K1 or operators not in K2 or units not in K3:
        raise ValueError(f"no K factors for {units} units, {operators} operators, {repeats} repeats; use crossed()")
    mean_range = float(np.ptp(values, axis=2).mean())
    operator_spread = float(np.ptp(values.mean(axis=(0, 2))))
    unit_range = float(np.ptp(values.mean(axis=(1, 2))))
    ev = mean_range * K1[repeats]
    av = math.sqrt(max(0.0, (operator_spread * K2[operators]) ** 2 - ev**2 / (units * repeats)))
    pv = unit_range * K3[units]
    variances = {
        "repeatability": ev**2,
        "operator": av**2,
        "reproducibility": av**2,
        "gage": ev**2 + av**2,
        "unit": pv**2,
        "total": ev**2 + av**2 + pv**2,
    }
    components = tuple(
        Component(name=name, variance=value, lower=math.nan, upper=math.nan) for name, value in variances.items()
    )
    return GageStudy(method="range", sources=(), components=components, pooled=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One level of a nested study, from the inside: s as observed at this level, and its own component."""

    name: str
    s: float  # pooled standard deviation of the means of the level below
    dof: int
    component_sd: float  # what this level adds, the averaged level below taken off; 0 when that would be negative


def nested(readings: Any, names: Sequence[str]) -> tuple[Level, ...]:
    """Levels of a balanced nested study (NIST/SEMATECH e-Handbook 2.5.3.1), innermost first.

    Args:
        readings: an array whose axes go from the outermost level to single readings.
        names: of the axes, outermost first; the first axis may hold units that are not a source of their own: call it
            "" and it only pools.

    Raises:
        ValueError: names do not fit the axes, or a level with fewer than two entries.
    """
    values = np.asarray(readings, dtype=float)
    if values.ndim != len(names):
        raise ValueError(f"{values.ndim} axes, but {len(names)} names")
    values = values - values.mean()
    levels: list[Level] = []
    variance_below, count_below = 0.0, 1
    for name in reversed(names):
        size = values.shape[-1]
        if size < 2 and name:
            raise ValueError(f"level {name!r} has {size} entry; a spread needs two")
        if name:
            groups = math.prod(values.shape[:-1])
            dof = groups * (size - 1)
            variance = float(((values - values.mean(axis=-1, keepdims=True)) ** 2).sum()) / dof
            own = variance - variance_below / count_below
            levels.append(Level(name=name, s=math.sqrt(variance), dof=dof, component_sd=math.sqrt(max(0.0, own))))
            variance_below, count_below = variance, size
        values = values.mean(axis=-1)
    return tuple(levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bias:
    """Mean deviation from a reference with its confidence interval; significant when that leaves out zero."""

    bias: float
    lower: float
    upper: float
    t: float
    p: float

    @property
    def is_significant(self) -> bool:
        """Zero lies outside the interval."""
        return not self.lower <= 0 <= self.upper


def bias(count: int, mean: float, sd: float, reference: float, *, confidence: float = 0.95) -> Bias:
    """Bias from a summary of readings (one-sample t).

    Raises:
        ValueError: fewer than two readings.
    """
    if count < 2:
        raise ValueError(f"a bias needs two readings or more, not {count}")
    from scipy import stats

    difference, u = mean - reference, sd / math.sqrt(count)
    half = float(stats.t.ppf((1 + confidence) / 2, count - 1)) * u
    t = difference / u if u > 0 else (math.inf if difference else 0.0)
    return Bias(
        bias=difference,
        lower=difference - half,
        upper=difference + half,
        t=t,
        p=2 * float(stats.t.sf(abs(t), count - 1)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """Bias as a straight line over the reference value; t and p of slope and intercept against zero."""

    slope: float
    intercept: float
    slope_p: float | None
    intercept_p: float | None

    def over(self, process_variation: float) -> float:
        """Linearity as AIAG has it: |slope| times the process variation, in the unit of the reading."""
        return abs(self.slope) * process_variation


def linearity(references: Sequence[float], biases: Sequence[float]) -> Linearity:
    """Fit bias against reference value by least squares.

    Raises:
        ValueError: fewer than two different references.
    """
    if len(set(references)) < 2:
        raise ValueError("linearity needs two different reference values or more")
    import statsmodels.api as sm

    fit = sm.OLS(np.asarray(biases, dtype=float), sm.add_constant(np.asarray(references, dtype=float))).fit()
    tested = len(references) > 2
    return Linearity(
        slope=float(fit.params[1]),
        intercept=float(fit.params[0]),
        slope_p=float(fit.pvalues[1]) if tested else None,
        intercept_p=float(fit.pvalues[0]) if tested else None,
    )
