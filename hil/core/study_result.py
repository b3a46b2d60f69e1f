"""What a study says of each check: components of variance, shares, bias, and a verdict in words.

A check decides between limits, so the verdict rests on the share of the tolerance that six standard deviations of the
bench take up; without limits, on the share of the study variation. The classes are those of AIAG MSA 4th ed. (up to
10 %, up to 30 %, above; from memory). With one limit only, three standard deviations are held against the distance from
the mean of the readings to it (common practice, no source). When the upper limit of the bench's standard deviation
lies in a worse class, the words say so.

Reference parts: the bias is the mean over all readings less the reference value, its standard error from the means of
the units (the units are the sample); the uncertainty of the reference value stands beside it. Over the parts of one
quantity, the relative bias is fitted against the logarithm of the value, weighted: parts span six decades.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from hil.core.fits import Line, fit_line
from hil.core.gage import STUDY_SIGMAS, Bias, GageStudy, average_range, bias, crossed, nested_study
from hil.core.records import Reading
from hil.core.study import Design, StudyPlan
from hil.core.units import show

FIT, MARGINAL = 0.10, 0.30
DOMINATES = 0.5  # of the bench's variance
_NAMES = {
    "repeatability": "repeatability",
    "operator": "the operators",
    "interaction": "operators and units together",
    "fitting": "the fitting",
}


class Fitness(StrEnum):
    """Whether the bench can do a check."""

    FIT = "fit"
    MARGINAL = "marginal"
    NOT_FIT = "not fit"
    UNKNOWN = "not evaluated"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartBias:
    """Bias at a reference part, in the unit of the reading.

    Args:
        reference_uncertainty: expanded, of the part's value.
        standard_error: of the bias, from the means of the units.
    """

    part: str
    reference: float
    reference_uncertainty: float
    standard_error: float
    found: Bias

    @property
    def is_explained(self) -> bool:
        """The reference value's own uncertainty explains the bias, or there is none."""
        return not self.found.is_significant or (
            self.found.lower <= self.reference_uncertainty and self.found.upper >= -self.reference_uncertainty
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RowResult:
    """One check of the study.

    Args:
        study: by analysis of variance; None when it could not be evaluated, then `words` say why.
        by_range: by average and range; None where the handbook has no factors.
        share_of_tolerance: of the bench, with its upper limit; None without limits.
        share_of_study: of the bench.
        dominant: component that makes most of the bench's variance, and its share.
    """

    name: str
    title: str
    unit: str
    lower: float | None
    upper: float | None
    mean: float | None
    fitness: Fitness
    words: str
    study: GageStudy | None = None
    by_range: GageStudy | None = None
    share_of_tolerance: tuple[float, float] | None = None
    share_of_study: float | None = None
    categories: float | None = None
    dominant: tuple[str, float] | None = None
    bias: PartBias | None = None
    values: NDArray[np.float64] | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """Relative bias over the decades of one quantity: bias at the middle of them, and slope per decade."""

    unit: str
    parts: tuple[str, ...]
    middle: float  # geometric mean of the reference values
    line: Line
    slope_is_significant: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyResult:
    """All checks of a study."""

    rows: tuple[RowResult, ...]
    linearity: tuple[Linearity, ...]
    confidence: float

    @property
    def worst(self) -> Fitness:
        """Of all checks."""
        order = list(Fitness)
        return max((row.fitness for row in self.rows), key=order.index, default=Fitness.UNKNOWN)


def evaluate(
    plan: StudyPlan,
    readings: Mapping[str, Mapping[tuple[int, int, int], Reading]],
    *,
    part_uncertainties: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> StudyResult:
    """Evaluate all rows of a study.

    Args:
        readings: row -> place in the array -> reading.
        part_uncertainties: expanded uncertainty of each reference part.
        confidence: of every interval.
    """
    known = part_uncertainties or {}
    rows = tuple(_row(name, plan, readings.get(name, {}), known, confidence) for name in plan.rows)
    return StudyResult(rows=rows, linearity=_linearities(rows, confidence), confidence=confidence)


def _row(
    name: str,
    plan: StudyPlan,
    readings: Mapping[tuple[int, int, int], Reading],
    part_uncertainties: Mapping[str, float],
    confidence: float,
) -> RowResult:
    values = np.full(plan.shape, math.nan)
    deviations = np.full(plan.shape, math.nan)
    for place, reading in readings.items():
        if isinstance(reading.value, float):
            values[place] = reading.value
            deviations[place] = reading.value - (reading.nominal or 0.0)
    some = next(iter(readings.values()), None)
    known = {
        "name": name,
        "title": some.title if some else "",
        "unit": some.unit if some else "",
        "lower": some.lower if some else None,
        "upper": some.upper if some else None,
    }
    missing = int(np.isnan(values).sum())
    if missing:
        words = f"{missing} of {values.size} readings are missing"
        return RowResult(**known, mean=None, fitness=Fitness.UNKNOWN, words=words)  # type: ignore[arg-type]
    study = _study(values, plan.design, confidence)
    mean = float(values.mean())
    result = RowResult(
        **known,  # type: ignore[arg-type]
        mean=mean,
        fitness=Fitness.UNKNOWN,
        words="",
        study=study,
        by_range=_by_range(values, plan.design),
        share_of_tolerance=_tolerance_share(study, mean, some.lower, some.upper) if some else None,
        share_of_study=study.share_of_study("gage"),
        categories=study.distinct_categories,
        dominant=_dominant(study),
        bias=_bias(some, deviations, plan.design, part_uncertainties, confidence) if some else None,
        values=values,
    )
    fitness, words = verdict(result)
    return replace(result, fitness=fitness, words=words)


def _study(values: NDArray[np.float64], design: Design, confidence: float) -> GageStudy:
    if design is Design.CROSSED:
        return crossed(values, confidence=confidence)
    if design is Design.NESTED:
        return nested_study(values, outer="operator", inner="unit", confidence=confidence)
    return nested_study(values, confidence=confidence)


def _by_range(values: NDArray[np.float64], design: Design) -> GageStudy | None:
    if design is not Design.CROSSED:
        return None
    try:
        return average_range(values)
    except ValueError:  # no factors for so many
        return None


def _tolerance_share(
    study: GageStudy, mean: float, lower: float | None, upper: float | None
) -> tuple[float, float] | None:
    gage = study.component("gage")
    sds = gage.sd, math.sqrt(gage.upper)
    if lower is not None and upper is not None:
        width, sigmas = upper - lower, STUDY_SIGMAS
    else:
        edge = upper if upper is not None else lower
        if edge is None:
            return None
        width, sigmas = abs(edge - mean), STUDY_SIGMAS / 2
    if width == 0:
        return (0.0, 0.0) if sds[1] == 0 else (math.inf, math.inf)
    return sigmas * sds[0] / width, sigmas * sds[1] / width


def _dominant(study: GageStudy) -> tuple[str, float] | None:
    total = study.component("gage").variance
    if total == 0:
        return None
    parts = {one.name: one.variance for one in study.components if one.name in _NAMES}
    largest = max(parts, key=lambda name: parts[name])
    return largest, parts[largest] / total


def _bias(
    some: Reading,
    deviations: NDArray[np.float64],
    design: Design,
    part_uncertainties: Mapping[str, float],
    confidence: float,
) -> PartBias | None:
    """Bias against the reference part; None when the row does not read one."""
    if some.nominal is None or not some.parts or some.unit not in ("F", "H", "Hz"):
        return None
    of_units = deviations.mean(axis=2).ravel() if design is Design.NESTED else deviations.mean(axis=(1, 2))
    spread = float(of_units.std(ddof=1))
    return PartBias(
        part=some.parts[0],
        reference=some.nominal,
        reference_uncertainty=part_uncertainties.get(some.parts[0], 0.0),
        standard_error=spread / math.sqrt(of_units.size),
        found=bias(of_units.size, float(of_units.mean()), spread, 0.0, confidence=confidence),
    )


def fitness_of(share: float) -> Fitness:
    """Class of a share of the tolerance or of the study variation."""
    return Fitness.FIT if share <= FIT else Fitness.MARGINAL if share <= MARGINAL else Fitness.NOT_FIT


def verdict(row: RowResult) -> tuple[Fitness, str]:
    """The verdict on one check, and its words."""
    assert row.study is not None
    if row.study.component("total").variance == 0:
        return Fitness.FIT, "all readings are equal: nothing scatters by more than the resolution"
    if row.share_of_tolerance is not None:
        share, upper = row.share_of_tolerance
        of_what = "the tolerance" if row.lower is not None and row.upper is not None else "the way to the limit"
        words = [f"the bench takes {_percent(share)} of {of_what}"]
        fitness, at_most = fitness_of(share), fitness_of(upper)
        if at_most is not fitness:
            words.append(f"at most {_percent(upper)}, which would be {at_most}")
    else:
        share = row.share_of_study or 0.0
        fitness = fitness_of(share)
        words = [f"the bench makes {_percent(share)} of the study variation; there are no limits"]
    if row.dominant is not None:
        name, part = row.dominant
        if part >= DOMINATES:
            words.append(f"{_NAMES[name]} {'dominate' if name == 'operator' else 'dominates'} ({_percent(part)} of it)")
        else:
            words.append(f"nothing dominates; {_NAMES[name]} comes first ({_percent(part)} of it)")
    if row.bias is not None and row.bias.found.is_significant:
        size = f"{show(row.bias.found.bias, row.unit, 2)} from {row.bias.part}"
        within = ", which the uncertainty of that part explains" if row.bias.is_explained else ""
        words.append(f"biased by {size}{within}")
    return fitness, "; ".join(words)


def _percent(share: float) -> str:
    return "more than all" if share > 10 else f"{100 * share:.2g} %" if share < 0.1 else f"{100 * share:.0f} %"


def _linearities(rows: Sequence[RowResult], confidence: float) -> tuple[Linearity, ...]:
    from scipy import special

    k = float(special.ndtri((1 + confidence) / 2))
    found = []
    for unit in dict.fromkeys(row.unit for row in rows if row.bias is not None):
        # A weight needs an uncertainty, and a line three points to say anything.
        points = [
            (one, math.hypot(one.standard_error, one.reference_uncertainty / 2) / one.reference)
            for row in rows
            if (one := row.bias) is not None and row.unit == unit and one.reference > 0
        ]
        points = [(one, u) for one, u in points if u > 0]
        if len({one.reference for one, _ in points}) < 3:
            continue
        middle = math.exp(math.fsum(math.log(one.reference) for one, _ in points) / len(points))
        line = fit_line(
            [math.log10(one.reference / middle) for one, _ in points],
            [one.found.bias / one.reference for one, _ in points],
            [u for _, u in points],
        )
        steep = abs(line.slope) > k * line.u_slope
        size = f"{100 * line.slope:+.2g} % ± {100 * k * line.u_slope:.2g} % per decade"
        found.append(
            Linearity(
                unit=unit,
                parts=tuple(one.part for one, _ in points),
                middle=middle,
                line=line,
                slope_is_significant=steep,
                words=f"the relative bias changes by {size}" if steep else f"no slope is seen: {size}",
            )
        )
    return tuple(found)
