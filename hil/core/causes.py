"""A ranked list of causes with what speaks for and against each, and where to probe next: what a technician reads.

Causes are groups of faults that no reading tells apart. What speaks for a cause are readings unlike those of a good
unit that it explains; what speaks against it are readings that it does not explain.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hil.core.diagnosis import (
    NOTHING,
    UNLIKE,
    UNTRIED,
    VALUE,
    WRONG,
    Dictionary,
    Floats,
    Ints,
    Observation,
    Posterior,
    Seen,
    believe,
    observe,
)
from hil.core.next_probe import NextProbe, next_probe, raw

SHOWN_CAUSES = 8
SHOWN_EVIDENCE = 4
LEAST_PROBABILITY = 0.002
TOLD_APART = math.log(3)  # of likelihoods, from which a probe has told two faults apart: an error below 25 %


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One reading and what was to be expected of it.

    Args:
        seen: its value; None when it had none.
        expected: middle and 95 % interval under the cause, in the unit of the row; None: the cause leaves no value.
        good: middle and 95 % interval in good units; None for rows without numbers.
    """

    row: str
    seen: Seen
    expected: tuple[float, float, float] | None
    good: tuple[float, float, float] | None
    weight: float  # how much it speaks, natural logarithm


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Faults that readings do not tell apart, and how probable it is that one of them is there."""

    faults: tuple[str, ...]  # the likeliest first
    probability: float
    prior: float
    shipped_prior: float
    speaks_for: tuple[Evidence, ...] = ()
    speaks_against: tuple[Evidence, ...] = ()

    @property
    def name(self) -> str:
        """The likeliest fault, and how many others look the same."""
        others = len(self.faults) - 1
        return self.faults[0] + (f" (or {others} alike)" if others else "")

    @property
    def components(self) -> tuple[str, ...]:
        """Designators of all faults in it."""
        return tuple(dict.fromkeys(one for fault in self.faults for one in components_of(fault)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What is believed of a failing unit.

    Args:
        none: probability that none of the faults of the dictionary is the cause.
        next_probe: where to measure next; None when nothing tells the causes apart, or there is no need.
    """

    causes: tuple[Cause, ...]
    none: float
    next_probe: NextProbe | None = None

    @property
    def fits(self) -> bool:
        """Whether one of the causes is likelier than that none of them is there."""
        return bool(self.causes) and self.none < 0.5


def components_of(fault: str) -> tuple[str, ...]:
    """Designators in a fault's text: ``R5,R6=swapped`` -> R5, R6."""
    return tuple(dict.fromkeys(target.strip().split(".")[0] for target in fault.partition("=")[0].split(",")))


def diagnose(
    dictionary: Dictionary,
    readings: Mapping[str, tuple[Seen, bool, bool]],
    *,
    weights: Floats | None = None,
    most: int = SHOWN_CAUSES,
) -> Diagnosis:
    """Rank the causes of what was read.

    Args:
        readings: by name, probes too: value, whether it was tried, whether it passed.
        weights: how often faults happen, by number; None: by the weights file.
    """
    seen = observe(dictionary, readings)
    belief = believe(dictionary, seen, weights)
    prior = dictionary.weights if weights is None else weights / weights.sum()
    is_probed = bool(set(readings) & set(dictionary.rows[dictionary.readings :]))
    causes: list[Cause] = []
    for members in _alike(dictionary, belief, prior, is_probed=is_probed)[:most]:
        share = float(belief.fault[members].sum())
        if share < LEAST_PROBABILITY and causes:
            break
        likeliest = int(np.argmax(np.where(np.isin(dictionary.modes.fault, members), belief.mode, -1.0)))
        speaks_for, against = _evidence(dictionary, seen, readings, likeliest)
        causes.append(
            Cause(
                faults=tuple(dictionary.faults[one] for one in members),
                probability=share,
                prior=float(prior[members].sum()),
                shipped_prior=float(dictionary.weights[members].sum()),
                speaks_for=speaks_for,
                speaks_against=against,
            )
        )
    probe = next_probe(dictionary, seen, belief) if belief.none < 0.5 else None
    return Diagnosis(causes=tuple(causes), none=belief.none, next_probe=probe)


def _alike(dictionary: Dictionary, belief: Posterior, prior: Floats, *, is_probed: bool) -> list[Ints]:
    """Faults that nothing tells apart, together, the likeliest first.

    Before anything was probed these are the groups of the dictionary. A probe splits a group where likelihoods differ.
    """
    found: list[Ints] = []
    for group in range(int(dictionary.groups.max()) + 1):
        members = np.flatnonzero(dictionary.groups == group)
        members = members[np.lexsort((-prior[members], -belief.fault[members]))]
        if is_probed and len(members) > 1:
            likelihood = np.log(np.maximum(belief.fault[members], 1e-12) / np.maximum(prior[members], 1e-12))
            order = np.argsort(-likelihood)
            cuts = np.flatnonzero(-np.diff(likelihood[order]) > TOLD_APART) + 1
            found.extend(members[np.sort(part)] for part in np.split(order, cuts))
        else:
            found.append(members)
    return sorted(found, key=lambda members: -float(belief.fault[members].sum()))


def group_shares(dictionary: Dictionary, fault: Floats) -> Floats:
    """Probabilities of groups from those of faults."""
    shares = np.bincount(dictionary.groups, weights=fault, minlength=int(dictionary.groups.max()) + 1)
    return shares.astype(np.float64)


def rank_of(dictionary: Dictionary, belief: Posterior, fault: str) -> int:
    """Place of the group that holds a fault, from 0."""
    by_group = group_shares(dictionary, belief.fault)
    mine = by_group[dictionary.groups[dictionary.faults.index(fault)]]
    return int((by_group > mine).sum())


def _evidence(
    dictionary: Dictionary, seen: Observation, readings: Mapping[str, tuple[Seen, bool, bool]], mode: int
) -> tuple[tuple[Evidence, ...], tuple[Evidence, ...]]:
    modes, error = dictionary.modes, dictionary.model_error
    shift, odds = modes.shift[mode], modes.odds[mode]
    spread = np.sqrt(modes.kept[mode] ** 2 + modes.scatter[mode] ** 2 + error**2)
    valued = (seen.kind == VALUE) & dictionary.numeric
    from_good = np.where(valued, np.abs(seen.value) / np.sqrt(1 + error**2), 0.0)
    from_cause = np.where(valued, np.abs(seen.value - shift) / spread, 0.0)
    strange = (seen.kind == WRONG) | (seen.kind == NOTHING)
    tried = np.flatnonzero(seen.kind != UNTRIED)
    likely = np.ones(len(seen.kind))
    likely[tried] = odds[tried, seen.kind[tried]]
    explains = np.where(strange, 6.0 * likely, np.minimum(from_good, 30.0) - np.minimum(from_cause, 30.0))
    explained = (from_good > UNLIKE) & (from_cause <= UNLIKE)  # what it does not explain speaks against it alone
    speaks_for = np.where((strange & (likely > 0.5)) | explained, explains, 0.0)
    wrong_kind = (seen.kind != UNTRIED) & (likely < 0.2)
    speaks_against = np.where(wrong_kind, 6.0 * (1 - likely), np.where(from_cause > UNLIKE, from_cause, 0.0))

    def lines(weight: Floats) -> tuple[Evidence, ...]:
        order = [int(one) for one in np.argsort(-weight)[:SHOWN_EVIDENCE] if weight[one] > 0.5]
        return tuple(_line(dictionary, readings, one, mode, float(spread[one]), float(weight[one])) for one in order)

    return lines(speaks_for), lines(speaks_against)


def _line(
    dictionary: Dictionary,
    readings: Mapping[str, tuple[Seen, bool, bool]],
    column: int,
    mode: int,
    spread: float,
    weight: float,
) -> Evidence:
    name, modes = dictionary.rows[column], dictionary.modes
    expected: tuple[float, float, float] | None = None
    good: tuple[float, float, float] | None = None
    if dictionary.numeric[column]:
        good = _interval(dictionary, column, 0.0, 1.0)
        if modes.odds[mode, column, VALUE] > 0.5:
            expected = _interval(dictionary, column, float(modes.shift[mode, column]), spread)
    return Evidence(row=name, seen=readings[name][0], expected=expected, good=good, weight=weight)


def _interval(dictionary: Dictionary, column: int, middle: float, spread: float) -> tuple[float, float, float]:
    found = raw(dictionary, column, np.array([middle, middle - 2 * spread, middle + 2 * spread]))
    return float(found[0]), float(found[1]), float(found[2])
