"""What moves the readings of a lot: shifts of groups, drifts over time or within a group, groups that scatter more.

Each check is explained by as few of these as it takes (orthogonal matching pursuit): the one that explains most is
taken, all taken ones are fitted together, and so on until nothing is left that is significant. So a bench that is off
is blamed once, and not also the operators who happened to work there. Significance is Bonferroni's over all candidates
and checks; what is significant and smaller than half a standard deviation, or than a twentieth of the tolerance, does
not matter and is not reported (two good benches always differ by something). The readings are clipped at five robust
standard deviations for this, so that single bad units do not make effects.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

GROUPINGS = ("operator", "bench", "component_lot", "firmware")
SIGNIFICANCE = 0.01  # of anything at all being reported in a lot where nothing is the matter
LARGE = 0.5  # standard deviations within groups; smaller ones do not matter
LEAST_SHARE = 0.05  # of the tolerance
WIDER = 1.5  # times the spread of the others
LEAST_GROUP, LEAST_UNITS, LEAST_DRIFT = 5, 10, 20
MOST_EFFECTS = 6  # of one check
CLIP = 5.0
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """Something that moves the readings of a check.

    Args:
        kind: "shift" of a group against the others; "drift" from the first to the last unit of the lot or of a
            group; "scatter", the spread of a group over that of the others.
        grouping, group: "" for the lot as a whole.
        size: unit of the reading; for scatter the ratio of the spreads.
        size_sd: in standard deviations of what is left unexplained.
        share: size over the width of the tolerance (one-sided: over the room up to the limit); for scatter what the
            standard deviation is more, both ways; None without a limit.
        p: corrected for all that was tried.
        count: units in the group.
    """

    check: str
    kind: str
    grouping: str
    group: str
    size: float
    size_sd: float
    share: float | None
    p: float
    count: int
    units_to_limit: float | None = None  # drift of the lot: units until the mean meets the limit it moves to


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    kind: str
    grouping: str
    group: str
    count: int
    column: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grouping:
    name: str
    groups: tuple[str, ...]
    codes: NDArray[np.intp]  # of each unit


class Candidates:
    """Everything that might move the readings of a lot, made once for all checks.

    Args:
        labels: grouping -> label of each unit, units in the order of time.
    """

    def __init__(self, labels: Mapping[str, NDArray[np.object_]], units: int) -> None:
        self.units = units
        found: list[_Candidate] = []
        groupings: list[_Grouping] = []
        for name, given in labels.items():
            groups, codes = np.unique(given.astype(str), return_inverse=True)
            if groups.size < 2:
                continue
            groupings.append(_Grouping(name=name, groups=tuple(groups.tolist()), codes=codes))
            for code, group in enumerate(groups.tolist()):
                inside = (codes == code).astype(float)
                count = int(inside.sum())
                if not LEAST_GROUP <= count <= units - LEAST_GROUP:
                    continue
                found.append(_Candidate(kind="shift", grouping=name, group=group, count=count, column=inside))
                if count >= LEAST_DRIFT:
                    ramp = np.cumsum(inside) / count * inside
                    found.append(_Candidate(kind="drift", grouping=name, group=group, count=count, column=ramp))
        # Of two groups, one of which is off, the smaller one is named; a step goes before a ramp.
        found.sort(key=lambda one: (one.kind != "shift", one.count))
        if units >= LEAST_DRIFT:
            column = np.linspace(0.0, 1.0, units)
            found.append(_Candidate(kind="drift", grouping="", group="", count=units, column=column))
        self.groupings = tuple(groupings)
        self.all = tuple(found)
        self.matrix = np.column_stack([one.column for one in found]) if found else np.zeros((units, 0))
        self._prepared = _prepare(self.matrix)

    def columns(self, places: NDArray[np.intp]) -> tuple[Floats, Floats, Floats]:
        """The candidates for these units: as they are, without their mean, and of length 1 (or 0)."""
        return self._prepared if places.size == self.units else _prepare(self.matrix[places])


def _prepare(matrix: Floats) -> tuple[Floats, Floats, Floats]:
    centred = matrix - matrix.mean(axis=0) if matrix.size else matrix
    lengths = np.sqrt((centred**2).sum(axis=0))
    return matrix, centred, np.divide(centred, lengths, out=np.zeros_like(centred), where=lengths > 1e-9)


def effects_of(
    check: str,
    places: NDArray[np.intp],
    values: Floats,
    candidates: Candidates,
    *,
    checks: int,
    tolerance: float | None = None,
) -> tuple[tuple[Effect, ...], Floats]:
    """Effects on one check, the largest first, and its readings with them taken out.

    Args:
        places: index of each reading's unit among the candidates' units.
        values: in the order of time.
        checks: how many checks are looked at in all.
        tolerance: what sizes are compared with, see `Effect.share`.
    """
    n = values.size
    if n < LEAST_UNITS or not candidates.all or np.ptp(values) == 0:
        return (), values
    matrix, columns, unit_columns = candidates.columns(places)
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle))) or float(values.std())
    clipped = np.clip(values, middle - CLIP * spread, middle + CLIP * spread)
    centred = clipped - clipped.mean()
    tried = checks * len(candidates.all)
    chosen: list[int] = []
    residual = centred
    coefficients = np.zeros(0)
    while len(chosen) < min(MOST_EFFECTS, n - 3):
        size = float(np.sqrt(residual @ residual))
        if size <= 1e-12 * (abs(middle) + spread) * math.sqrt(n):
            break
        correlation = np.abs(unit_columns.T @ residual) / size
        correlation[chosen] = 0.0
        best = int(np.argmax(correlation > 0.98 * correlation.max()))  # the plainest of those that explain alike
        if _p(float(correlation[best]), n - len(chosen) - 2) * tried >= SIGNIFICANCE:
            break
        chosen.append(best)
        coefficients, *_ = np.linalg.lstsq(columns[:, chosen], centred, rcond=None)
        residual = centred - columns[:, chosen] @ coefficients
    left = math.sqrt(float(residual @ residual) / max(1, n - len(chosen) - 1))
    found = []
    explained = np.zeros(n)
    for index, coefficient in zip(chosen, coefficients.tolist(), strict=True):
        one = candidates.all[index]
        sds = coefficient / left if left > 0 else math.inf
        share = abs(coefficient) / tolerance if tolerance else None
        explained += columns[:, index] * coefficient
        if abs(sds) < LARGE or (share is not None and share < LEAST_SHARE):
            continue
        others = columns[:, [other for other in chosen if other != index]]
        p = _p_of_coefficient(columns[:, index], others, coefficient, left, n) * tried
        found.append(
            Effect(check=check, kind=one.kind, grouping=one.grouping, group=one.group, size=coefficient, size_sd=sds,
                   share=share, p=min(1.0, p), count=int((matrix[:, index] != 0).sum()) if one.grouping else n)
        )  # fmt: skip
    found += _scatters(check, residual, candidates, places, checks, tolerance)
    return strongest_first(found), values - explained


def _p(correlation: float, dof: int) -> float:
    if correlation >= 1:
        return 0.0
    t = correlation * math.sqrt(dof / (1 - correlation**2))
    return 2 * float(stdtr(dof, -t))


def _p_of_coefficient(column: Floats, others: Floats, coefficient: float, left: float, n: int) -> float:
    alone = column
    if others.shape[1]:
        alone = column - others @ np.linalg.lstsq(others, column, rcond=None)[0]
    length = float(np.sqrt(alone @ alone))
    if left <= 0 or length <= 0:
        return 0.0
    return 2 * float(stdtr(n - others.shape[1] - 2, -abs(coefficient) * length / left))


def _scatters(
    check: str,
    residual: Floats,
    candidates: Candidates,
    places: NDArray[np.intp],
    checks: int,
    tolerance: float | None,
) -> list[Effect]:
    """Groups that scatter more than the others: Brown and Forsythe's test (absolute deviations from the medians)."""
    found = []
    for grouping in candidates.groupings:
        codes = grouping.codes[places]
        deviation = np.empty_like(residual)
        for code in range(len(grouping.groups)):
            inside = codes == code
            if inside.any():
                deviation[inside] = np.abs(residual[inside] - np.median(residual[inside]))
        for code, group in enumerate(grouping.groups):
            inside = codes == code
            count = int(inside.sum())
            if not LEAST_DRIFT <= count <= residual.size - LEAST_DRIFT:
                continue
            here, rest = deviation[inside], deviation[~inside]
            if not here.mean() > WIDER * rest.mean() or rest.mean() <= 0:
                continue
            more = float(here.mean() - rest.mean()) * math.sqrt(math.pi / 2)  # mean deviations as standard ones
            share = 2 * more / tolerance if tolerance else None
            if share is not None and share < LEAST_SHARE:
                continue
            error = math.sqrt(float(here.var(ddof=1)) / here.size + float(rest.var(ddof=1)) / rest.size)
            t = float(here.mean() - rest.mean()) / error if error > 0 else math.inf
            tried = checks * len(grouping.groups) * len(candidates.groupings)
            p = 2 * float(stdtr(min(here.size, rest.size) - 1, -t)) * tried
            if p < SIGNIFICANCE:
                ratio = float(here.mean() / rest.mean())
                found.append(
                    Effect(check=check, kind="scatter", grouping=grouping.name, group=group, size=ratio, size_sd=ratio,
                           share=share, p=p, count=count)
                )  # fmt: skip
    return found


def strongest_first(effects: Sequence[Effect]) -> tuple[Effect, ...]:
    """By what they take of the tolerance; of checks without limits, ten standard deviations stand for a tolerance."""
    return tuple(sorted(effects, key=lambda effect: -weight(effect)))


def weight(effect: Effect) -> float:
    """How much an effect matters."""
    return effect.share if effect.share is not None else abs(effect.size_sd) / 10
