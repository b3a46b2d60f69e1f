"""Learn a `Dictionary` from units that were tried with one fault each, and from the same units without it.

The unit that is tried with a fault is also tried without: the difference between the two is the fault's doing, free of
the unit's tolerances. From a few such pairs a fault's modes are estimated; what a few units cannot tell - how much a
shift scatters - leans on what all faults together show.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hil.core.diagnosis import UNTRIED, VALUE, Floats, Ints, Modes

ALIKE = 3  # outcomes in which two units of one mode may differ
PRIOR_UNITS = 2.0  # a mode's own scatter counts against that of all faults like so many units
PRIOR_ODDS = np.array([0.97, 0.015, 0.015])  # of an outcome that was never seen in a mode
PRIOR_ODDS_UNITS = 0.3
UNSEEN_ODDS = np.array([0.6, 0.2, 0.2])  # of a row that a mode never came to
UNSEEN_SCATTER = 15.0


def location_and_scale(values: Floats, floor: Floats) -> tuple[Floats, Floats]:
    """Median and standard deviation of good units by column (NaN: no value), robust against an odd unit.

    A scale is at least `floor`: differences below it shall not speak.
    """
    with np.errstate(all="ignore"):
        low, middle, high = np.nanquantile(values, [0.1587, 0.5, 0.8413], axis=0)
        spread = np.maximum((high - low) / 2, np.nanstd(values, axis=0) / 2)
    middle, spread = np.nan_to_num(middle), np.nan_to_num(spread)
    scale = np.maximum(spread, floor)
    return middle, np.where(scale > 0, scale, 1.0)


def shrunk_covariance(deviations: Floats, share: float) -> Floats:
    """Covariance of good units, leaning to independence by `share`: no combination of rows is taken for certain."""
    found = np.cov(np.clip(np.nan_to_num(deviations), -5, 5), rowvar=False)
    return np.asarray((1 - share) * found + share * np.diag(np.diag(found)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Pairs:
    """Units with one fault, one line each: what was seen of them, and of the same units without it.

    Args:
        kind, value: of the unit with the fault, standardised and squashed.
        without: value of the same unit without the fault.
    """

    kind: Ints
    value: Floats
    without: Floats


def modes_of(kinds: Ints) -> list[list[int]]:
    """Units in groups that show the same outcomes but for `ALIKE` rows."""
    groups: list[list[int]] = []
    for unit in range(len(kinds)):
        home = next((one for one in groups if np.count_nonzero(kinds[unit] != kinds[one[0]]) <= ALIKE), None)
        if home is None:
            groups.append([unit])
        else:
            home.append(unit)
    return groups


def learned_modes(pairs: Sequence[Pairs]) -> Modes:
    """The modes of every fault."""
    fault, share, lines = [], [], []
    for number, found in enumerate(pairs):
        for units in modes_of(found.kind):
            fault.append(number)
            share.append(len(units) / len(found.kind))
            lines.append(_mode(found.kind[units], found.value[units], found.without[units]))
    shift, kept, scatter, odds = (np.array(each) for each in zip(*lines, strict=True))
    return Modes(
        fault=np.array(fault), share=np.array(share), shift=shift, kept=kept, scatter=scatter, odds=odds
    )  # fmt: skip


def _mode(kind: Ints, value: Floats, without: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    has = kind == VALUE
    count = has.sum(axis=0)
    some = np.maximum(count, 1)

    def mean(of: Floats) -> Floats:
        return np.asarray((of * has).sum(axis=0) / some)

    def squares(of: Floats) -> Floats:
        return np.asarray((((of - mean(of)) * has) ** 2).sum(axis=0))

    step = np.abs(mean(value - without))
    usual = 0.05 + 0.1 * step  # how far a shift scatters, before units say so themselves
    moved = squares(value - without) + PRIOR_UNITS * usual**2
    fixed = squares(value) + PRIOR_UNITS
    kept = fixed / (fixed + moved)  # which of the two is steadier: value less what it was, or the value itself
    kept = np.where(kept > 0.9, 1.0, kept)
    rest = value - kept * without
    shift = mean(rest)
    variance = (squares(rest) + PRIOR_UNITS * usual**2) / (np.maximum(count - 1, 0) + PRIOR_UNITS)
    scatter = np.sqrt(variance * (1 + 1 / some))
    shift = np.where((np.abs(shift) < 0.1) & (kept == 1.0), 0.0, shift)
    tried = (kind != UNTRIED).sum(axis=0)
    counts = np.stack([(kind == outcome).sum(axis=0) for outcome in range(3)], axis=-1)
    odds = (counts + PRIOR_ODDS_UNITS * PRIOR_ODDS) / (tried + PRIOR_ODDS_UNITS)[:, None]
    odds = np.where(tried[:, None] == 0, UNSEEN_ODDS, odds)
    never = count == 0
    return (
        np.where(never, 0.0, shift),
        np.where(never, 1.0, kept),
        np.where(never, UNSEEN_SCATTER, scatter),
        odds,
    )
