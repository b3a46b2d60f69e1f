"""Learn a `Dictionary` from units that were tried with one fault each, and from the same units without it.

The unit that is tried with a fault is also tried without: the difference between the two is the fault's doing, free of
the unit's tolerances. From a few such pairs a fault's modes are estimated; what a few units cannot tell - how much a
shift scatters - leans on what all faults together show.

What the dictionary cannot know from the units it was made of - how far its likelihoods are to be trusted, and which
faults look alike - is found by leaving units out in turn and diagnosing them.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from hil.core.diagnosis import (
    UNSEEN_ODDS,
    UNTRIED,
    VALUE,
    Dictionary,
    Floats,
    Ints,
    Modes,
    Observation,
    candidates,
    squashed,
)

ALIKE_OUTCOMES = 3  # outcomes in which two units of one mode may differ
PRIOR_UNITS = 2.0  # a mode's own scatter counts against that of all faults like so many units
SURE = 4.0  # a shift counts for half when it is so many times what the same unit scatters by itself
CODE = 0.05  # scale of rows that are the same number in all good units: codes and counts
LEAST_REPEATABILITY = 0.02  # standard deviations of good units
PRIOR_ODDS = np.array([0.998, 0.001, 0.001])  # of an outcome that was never seen in a mode
PRIOR_ODDS_UNITS = 0.3
UNSEEN_SCATTER = 15.0
COVARIANCE_SHRINKAGE, AMONG_SHRINKAGE = 0.03, 0.5
ALIKE = 0.25  # error of telling two faults apart from which they count as alike
SHARPNESS = (0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.85, 1.0)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Columns:
    """Rows of a dictionary before anything was learned.

    Args:
        names: readings, then probes.
        readings: how many of them are readings.
        numeric, logarithmic: as in `Dictionary`.
        floor: least standard deviation that counts (of the logarithm where that counts): differences below it shall
            not speak, whatever the simulation makes of them.
    """

    names: tuple[str, ...]
    readings: int
    numeric: npt.NDArray[np.bool_]
    logarithmic: npt.NDArray[np.bool_]
    floor: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Tries:
    """Units side by side, one line each.

    Args:
        fault: number of the fault; -1 for units without one.
        partner: line of the same unit without the fault.
        bench: number of the bench it was tried on: its jig and reference parts are its own.
        fold: units that are left out together.
        failed: whether the unit failed its checks: only such units are diagnosed.
        kind: of outcome, by column.
        value: as read; 0 where there is none.
    """

    fault: Ints
    partner: Ints
    bench: Ints
    fold: Ints
    failed: npt.NDArray[np.bool_]
    kind: Ints
    value: Floats

    def take(self, lines: npt.NDArray[np.bool_]) -> "Tries":
        """Some of the units; partners keep their numbers, so they must stay."""
        return replace(self, fault=np.where(lines, self.fault, -2))


def learn(
    columns: Columns, tries: Tries, faults: Sequence[str], weights: Floats, about: Mapping[str, str]
) -> Dictionary:
    """A dictionary with every fault in a group of its own and likelihoods taken at their word."""
    counted = np.where(columns.logarithmic, np.log(np.maximum(tries.value, 1e-3)), tries.value)
    counted = np.where((tries.kind == VALUE) & columns.numeric, counted, np.nan)
    good = tries.fault == -1
    location, scale = _location_and_scale(counted[good], columns.floor)
    value = np.nan_to_num(squashed((counted - location) / scale))
    return Dictionary(
        about=about,
        rows=columns.names,
        readings=columns.readings,
        numeric=columns.numeric,
        logarithmic=columns.logarithmic,
        location=location,
        scale=scale,
        covariance=_covariance(np.where(np.isnan(counted[good]), np.nan, value[good]), tries.bench[good]),
        faults=tuple(faults),
        weights=weights / weights.sum(),
        groups=np.arange(len(faults)),
        modes=_learned_modes(columns, tries, value, len(faults)),
    )


def observations(dictionary: Dictionary, tries: Tries) -> list[Observation]:
    """What was seen of units, readings alone: as a run shows it before anything is probed."""
    counted = np.where(dictionary.logarithmic, np.log(np.maximum(tries.value, 1e-3)), tries.value)
    value = squashed((counted - dictionary.location) / dictionary.scale)
    kind = tries.kind.copy()
    kind[:, dictionary.readings :] = UNTRIED
    return [Observation(kind=kind[line], value=value[line]) for line in range(len(kind))]


def _location_and_scale(values: Floats, floor: Floats) -> tuple[Floats, Floats]:
    """Median and standard deviation of good units by column (NaN: no value), robust against an odd unit."""
    empty = np.isnan(values).all(axis=0)
    filled = np.where(empty, 0.0, values)
    low, middle, high = np.nanquantile(filled, [0.1587, 0.5, 0.8413], axis=0)
    spread = np.maximum((high - low) / 2, np.nanstd(filled, axis=0) / 2)
    scale = np.maximum(spread, floor)
    return middle, np.where(scale > 0, scale, CODE)


def _covariance(deviations: Floats, bench: Ints) -> Floats:
    """Of good units: within benches as they were found, and among benches mostly row by row.

    Each leans to independence, so that no combination of rows is taken for certain: a little within benches, where
    there are many units, and much among the few benches, whose jigs and parts have nothing to do with each other.
    """
    clipped = np.clip(deviations, -5, 5)
    within, among = clipped.copy(), np.zeros_like(clipped)
    for one in np.unique(bench):
        mine = bench == one
        has = ~np.isnan(clipped[mine]).all(axis=0)
        mean = np.where(has, np.nanmean(np.where(has, clipped[mine], 0.0), axis=0), 0.0)
        within[mine] -= mean
        among[mine] = mean
    benches = len(np.unique(bench))
    inside = _shrunk(_product(within, len(within) - benches), COVARIANCE_SHRINKAGE)
    return np.asarray(inside + _shrunk(_product(among - among.mean(axis=0), len(among)), AMONG_SHRINKAGE))


def _product(deviations: Floats, dof: int) -> Floats:
    """Covariance of rows with gaps, never less than what the gaps leave of it."""
    filled = np.nan_to_num(deviations)
    count = np.maximum((~np.isnan(deviations)).sum(axis=0), 1)
    stretch = np.sqrt(len(deviations) / count)
    found = filled.T @ filled / max(dof, 1)
    return np.asarray(found * np.where(np.eye(len(found), dtype=bool), np.outer(stretch, stretch), 1.0))


def _shrunk(covariance: Floats, share: float) -> Floats:
    return np.asarray((1 - share) * covariance + share * np.diag(np.diag(covariance)))


def _learned_modes(columns: Columns, tries: Tries, value: Floats, faults: int) -> Modes:
    fault, share, lines = [], [], []
    repeatability = _repeatability(tries, value)
    for number in range(faults):
        units = np.flatnonzero(tries.fault == number)
        # What probes read does not depend on which outcomes the checks had: all units of the fault tell it.
        whole = _mode(tries, value, units, columns.numeric, repeatability)
        for mode in _alike(tries.kind[units, : columns.readings]):
            fault.append(number)
            share.append(len(mode) / len(units))
            line = _mode(tries, value, units[mode], columns.numeric, repeatability)
            for own, common in zip(line, whole, strict=True):
                own[columns.readings :] = common[columns.readings :]
            lines.append(line)
    shift, kept, scatter, odds = (np.array(each) for each in zip(*lines, strict=True))
    return Modes(fault=np.array(fault), share=np.array(share), shift=shift, kept=kept, scatter=scatter, odds=odds)


def _repeatability(tries: Tries, value: Floats) -> Floats:
    """By how much a reading differs from one check of a unit to the next, as a standard deviation.

    Told from the middle of all faults, because most of them leave most rows alone; and not from the very middle,
    because some rows scatter little mostly and much at times.
    """
    faulty = tries.fault >= 0
    both = (tries.kind[faulty] == VALUE) & (tries.kind[tries.partner[faulty]] == VALUE)
    step = np.where(both, np.abs(value[faulty] - value[tries.partner[faulty]]), np.nan)
    middle, upper = np.nanquantile(np.where(both.any(axis=0), step, 0.0), [0.5, 0.7], axis=0)
    return np.asarray(np.maximum(np.maximum(1.4826 * middle, upper / 1.0364), LEAST_REPEATABILITY))


def _alike(kinds: Ints) -> list[list[int]]:
    """Units in modes: those that show the same outcomes but for a few rows."""
    modes: list[list[int]] = []
    for unit in range(len(kinds)):
        home = next((one for one in modes if np.count_nonzero(kinds[unit] != kinds[one[0]]) <= ALIKE_OUTCOMES), None)
        if home is None:
            modes.append([unit])
        else:
            home.append(unit)
    return modes


def _mode(
    tries: Tries, values: Floats, units: Ints, numeric: npt.NDArray[np.bool_], repeatability: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Shift, kept, scatter and odds by column, from units of one mode."""
    kind, value, without = tries.kind[units], values[units], values[tries.partner[units]]
    # Where the same unit was not read without the fault, what is usual is only known as far as units scatter.
    is_paired = ((tries.kind[tries.partner[units]] == VALUE) | (kind != VALUE)).all(axis=0)
    noise = np.where(is_paired, repeatability, 1.0)
    has = (kind == VALUE) & numeric
    count = has.sum(axis=0)
    some = np.maximum(count, 1)

    def mean(of: Floats) -> Floats:
        return np.asarray((of * has).sum(axis=0) / some)

    def squares(of: Floats) -> Floats:
        return np.asarray((((of - mean(of)) * has) ** 2).sum(axis=0))

    step = np.abs(mean(value - without))
    certain = 1 / (1 + np.exp(np.clip((SURE**2 - (step / noise) ** 2 * some) / 2, -50, 50)))
    usual = 0.1 * step * certain + noise  # how far a shift scatters, before the units say so themselves
    moved = squares(value - without) + PRIOR_UNITS * usual**2
    fixed = squares(value) + PRIOR_UNITS * np.maximum(usual, 1.0) ** 2
    kept = fixed / (fixed + moved)  # which is steadier: the value less what it was without the fault, or the value
    kept = np.where((kept > 0.9) | (certain < 0.5), 1.0, kept)
    rest = value - kept * without
    shift = mean(rest) * certain
    variance = (squares(rest) + PRIOR_UNITS * usual**2) / (np.maximum(count - 1, 0) + PRIOR_UNITS)
    scatter = np.sqrt(variance * (1 + 1 / some)) * np.where(kept == 1.0, certain, 1.0)
    never = (count == 0) & numeric
    tried = (kind != UNTRIED).sum(axis=0)
    counts = np.stack([(kind == outcome).sum(axis=0) for outcome in range(3)], axis=-1)
    odds = (counts + PRIOR_ODDS_UNITS * PRIOR_ODDS) / (tried + PRIOR_ODDS_UNITS)[:, None]
    odds = np.where(tried[:, None] == 0, UNSEEN_ODDS, odds)
    return (
        np.where(never, 0.0, np.where(certain < 0.01, 0.0, shift)),
        np.where(never, 1.0, kept),
        np.where(never, UNSEEN_SCATTER, np.where(certain < 0.01, 0.0, scatter)),
        odds,
    )


# How far it is to be trusted


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LeftOut:
    """A unit that was left out, and how likely its readings are under the faults that come into question.

    Args:
        is_strange: the dictionary really was made without it.
    """

    fault: int
    among: Ints  # numbers of faults
    log_likelihood: Floats  # the same order
    is_strange: bool = True


def left_out(columns: Columns, tries: Tries, faults: Sequence[str], weights: Floats) -> Iterator[LeftOut]:
    """Every unit that failed, against a dictionary that was made without it and everything else of its fold.

    A fold is a bench, good units too: a unit that is diagnosed comes from a bench that no dictionary knows. A fault
    with no unit on another bench is judged with those it has: there are no others.
    """
    for fold in sorted(set(tries.fold[tries.fault >= 0].tolist())):
        others = np.bincount(tries.fault[(tries.fault >= 0) & (tries.fold != fold)], minlength=len(faults))
        away = (tries.fold == fold) & ((tries.fault < 0) | (others[np.maximum(tries.fault, 0)] > 0))
        dictionary = learn(columns, tries.take(~away), faults, weights, {})
        seen = observations(dictionary, tries)
        for line in np.flatnonzero((tries.fold == fold) & (tries.fault >= 0) & tries.failed):
            number, likelihood = candidates(dictionary, seen[line])
            fault = int(tries.fault[line])
            yield LeftOut(fault=fault, among=number, log_likelihood=likelihood, is_strange=bool(others[fault] > 0))


def best_sharpness(found: Sequence[LeftOut], weights: Floats, groups: Ints) -> float:
    """The exponent of the likelihood under which the true groups of units left out were most probable.

    The smallest, which believes least, when no unit could be left out.
    """
    strange = [one for one in found if one.is_strange]
    if not strange:
        return min(SHARPNESS)

    def score(sharpness: float) -> float:
        total, by = 0.0, 0.0
        for one in strange:
            with np.errstate(divide="ignore"):
                belief = np.log(weights[one.among]) + sharpness * one.log_likelihood
            share = np.exp(belief - belief.max())
            mine = share[groups[one.among] == groups[one.fault]].sum() / share.sum()
            total += float(weights[one.fault]) * float(np.log(max(mine, 1e-4)))
            by += float(weights[one.fault])
        return total / by

    return max(SHARPNESS, key=score)


def alike_groups(found: Sequence[LeftOut], faults: int, sharpness: float) -> Ints:
    """Number of the group of every fault: faults that are taken for each other too often are in one group.

    Groups are joined as long as the mean error between the faults of two exceeds `ALIKE`, the most alike first: one
    fault that sometimes looks like this group and sometimes like that one does not make one of both.
    """
    mistaken = np.zeros((faults, faults))  # of a unit with the one, how often the other is likelier
    for one in found:
        mine = np.flatnonzero(one.among == one.fault)
        if mine.size:
            behind = np.clip(one.log_likelihood - one.log_likelihood[mine[0]], -50, 50)
            mistaken[one.fault, one.among] += 1 / (1 + np.exp(-sharpness * behind))
    count = np.bincount([one.fault for one in found], minlength=faults)
    mistaken /= np.maximum(count, 1)[:, None]
    error = (mistaken + mistaken.T) / 2
    error[np.minimum(mistaken, mistaken.T) <= ALIKE / 2] = 0.0  # one odd unit shall not join two faults
    np.fill_diagonal(error, 0.0)
    home, size = np.arange(faults), np.ones(faults)
    while (most := float(error.max(initial=0.0))) > ALIKE:
        first, second = (int(one) for one in np.argwhere(error == most)[0])
        joined = (size[first] * error[first] + size[second] * error[second]) / (size[first] + size[second])
        error[first], error[:, first] = joined, joined
        error[second], error[:, second], error[first, first] = 0.0, 0.0, 0.0
        size[first] += size[second]
        home[home == second] = first
    return np.unique(home, return_inverse=True)[1].astype(np.int64)
