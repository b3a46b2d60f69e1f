"""Which faults no reading can tell apart: pairwise error above 25 %.

One and the same unit was tried with every fault, so that what two faults do to its readings can be compared without
tolerances between them. How much such a difference is worth is told by the spread of good units: with equal normal
spread the best classifier of two equally likely faults errs with probability Φ(−d/2), d being the Mahalanobis distance
of their readings (Fisher's discriminant; common knowledge of the trade, no source). The covariance is estimated from
good units and drawn towards its diagonal as Schäfer and Strimmer propose (Statistical Applications in Genetics and
Molecular Biology 4, 2005, article 32, target D), because there are hardly more units than readings.

A text, or a row that one fault keeps from being measured and the other does not, tells them apart at once. A group is
found by complete linkage: any two of its faults are taken for one another that often.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from hil.core.coverage import Seen

MOST_ERROR = 0.25
CLOSE = 1.3490  # −2·Φ⁻¹(0.25)
EXACT = 1e-12  # relative spread below which a reading of good units is always the same

Floats = NDArray[np.float64]


def groups(
    of_one_unit: Mapping[str, Mapping[str, Seen]], good: Sequence[Mapping[str, Seen]]
) -> tuple[tuple[str, ...], ...]:
    """Groups of at least two faults that cannot be told apart, the largest first.

    Args:
        of_one_unit: all readings of the same unit with each fault, by the fault's name ("" without one).
        good: readings of good units.

    Raises:
        ValueError: fewer than ten good units, whose spread is worth nothing.
    """
    if len(good) < 10:
        raise ValueError(f"telling faults apart needs the spread of at least ten good units, not {len(good)}")
    names = list(of_one_unit)
    if len(names) < 2:
        return ()
    from scipy.cluster.hierarchy import fcluster, linkage

    distance = distances([of_one_unit[name] for name in names], good)
    upper = distance[np.triu_indices(len(names), 1)]
    numbers = fcluster(linkage(upper, method="complete"), t=CLOSE, criterion="distance")
    members: dict[int, list[str]] = {}
    for name, number in zip(names, numbers, strict=True):
        members.setdefault(int(number), []).append(name)
    found = [tuple(group) for group in members.values() if len(group) > 1]
    return tuple(sorted(found, key=len, reverse=True))


def distances(units: Sequence[Mapping[str, Seen]], good: Sequence[Mapping[str, Seen]]) -> Floats:
    """Mahalanobis distance of each two units' readings; large where something exact differs."""
    rows = [name for name in good[0] if all(_is_number(one[name]) for one in good)]
    spread = np.array([[one[name].value for name in rows] for one in good], dtype=float)
    scale = spread.std(axis=0, ddof=1)
    exact = scale <= EXACT * np.maximum(np.abs(spread.mean(axis=0)), 1e-30)
    values = np.array([[_number(unit.get(name)) for name in rows] for unit in units])
    words = [tuple((name, *_word(unit.get(name), name in rows)) for name in good[0]) for unit in units]
    numbers = {word: place for place, word in enumerate(dict.fromkeys(words))}
    kinds = np.array([numbers[word] for word in words])
    apart = kinds[:, None] != kinds[None, :]
    for column in np.flatnonzero(exact):
        apart |= np.abs(values[:, None, column] - values[None, :, column]) > 1e-9
    whitened = values[:, ~exact] / scale[~exact]
    found = np.zeros((len(units), len(units)))
    correlation = shrunk_correlation(spread[:, ~exact])
    for kind in range(len(numbers)):  # units of a kind lack the same readings
        place = np.flatnonzero(kinds == kind)
        there = ~np.isnan(whitened[place[0]])
        inverse = np.linalg.inv(correlation[np.ix_(there, there)]) if there.any() else np.zeros((0, 0))
        block = whitened[np.ix_(place, there)]
        gram = block @ inverse @ block.T
        square = np.add.outer(np.diag(gram), np.diag(gram)) - 2 * gram
        found[np.ix_(place, place)] = np.sqrt(np.maximum(square, 0.0))
    return np.where(apart, 1e6, found)


def shrunk_correlation(samples: Floats) -> Floats:
    """Correlation matrix of the columns, drawn towards no correlation as far as its own uncertainty asks for."""
    count = len(samples)
    standard = (samples - samples.mean(axis=0)) / samples.std(axis=0, ddof=1)
    correlation = standard.T @ standard / (count - 1)
    # Variance of each coefficient from the products of its samples: Schäfer and Strimmer, section 2.4 and appendix A.
    mean = standard.T @ standard / count
    mean_square = (standard**2).T @ standard**2 / count
    variance = (mean_square - mean**2) * count**2 / (count - 1) ** 3
    off = ~np.eye(len(correlation), dtype=bool)
    total = float(np.sum(correlation[off] ** 2))
    share = min(1.0, max(0.0, float(np.sum(variance[off])) / total)) if total else 1.0
    share = max(share, 1e-3)  # never singular
    return np.where(off, (1 - share) * correlation, 1.0)


def error_of(distance: float) -> float:
    """Probability of taking one for the other at this distance."""
    return 0.5 * math.erfc(distance / 2 / math.sqrt(2))


def _is_number(seen: Seen) -> bool:
    return isinstance(seen.value, int | float) and not isinstance(seen.value, bool)


def _number(seen: Seen | None) -> float:
    return float(seen.value) if seen is not None and _is_number(seen) else math.nan  # type: ignore[arg-type]


def _word(seen: Seen | None, numeric: bool) -> tuple[object, ...]:
    """What of a reading is not a quantity: whether there is one, and a text."""
    if seen is None or seen.value is None:
        return ("",)
    return () if numeric and _is_number(seen) else (seen.value,)
