"""Where to hold the probe next: the point whose value is expected to say most about which cause it is.

Faults that no reading of the checks tells apart often differ in what a probe reads: it is faults that are told apart
here. The expected information of a probe is what its value takes away, on average over what it may turn out to be,
from the entropy of the causes (Shannon). What it would read under each cause is conditional on everything read so far,
so that a point that only repeats what is known is worth nothing.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from hil.core.diagnosis import LINEAR, VALUE, Dictionary, Floats, Ints, Observation, Posterior

MODES = 40  # likeliest modes that a probe is asked to tell apart
LEAST_SHARE = 1e-3
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What a probe reads under one fault: middle and the interval that holds 95 %, in the unit of the probe."""

    fault: str
    value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextProbe:
    """The probe that tells most.

    Args:
        name: column of the dictionary.
        information_bit: expected information about the cause, bit.
        entropy_bit: what there is to know.
        expected: by fault, the likeliest first.
    """

    name: str
    information_bit: float
    entropy_bit: float
    expected: tuple[Expectation, ...]


def predicted(dictionary: Dictionary, seen: Observation, modes: Ints, columns: Ints) -> tuple[Floats, Floats]:
    """Mean and standard deviation of rows not seen yet, given those seen, by mode and column (squashed deviations)."""
    known = dictionary.modes
    given = np.flatnonzero((seen.kind == VALUE) & dictionary.numeric)
    kept, of_columns = known.kept[modes][:, given], known.kept[modes][:, columns]
    covariance = kept[:, :, None] * dictionary.covariance[np.ix_(given, given)] * kept[:, None, :]
    diagonal = np.arange(len(given))
    covariance[:, diagonal, diagonal] += known.scatter[modes][:, given] ** 2 + dictionary.model_error**2
    cross = kept[:, :, None] * dictionary.covariance[np.ix_(given, columns)] * of_columns[:, None, :]
    away = seen.value[given] - known.shift[modes][:, given]
    # One reading that the model does not understand must not drag a prediction with it.
    limit = 4.0 * np.sqrt(covariance[:, diagonal, diagonal])
    solved = np.linalg.solve(covariance, np.concatenate([np.clip(away, -limit, limit)[:, :, None], cross], axis=2))
    mean = known.shift[modes][:, columns] + np.einsum("mgc,mg->mc", cross, solved[:, :, 0])
    own = of_columns**2 * np.diag(dictionary.covariance)[columns] + known.scatter[modes][:, columns] ** 2
    variance = own - np.einsum("mgc,mgc->mc", cross, solved[:, :, 1:])
    return mean, np.sqrt(np.maximum(variance, 0.0) + dictionary.model_error**2)


def next_probe(
    dictionary: Dictionary, seen: Observation, belief: Posterior, *, without: Collection[str] = ()
) -> NextProbe | None:
    """The best probe, or None when no probe tells the causes apart.

    Args:
        without: probes that cannot be taken.
    """
    order = np.argsort(-belief.mode)[:MODES]
    modes = order[belief.mode[order] > LEAST_SHARE]
    faults = dictionary.modes.fault[modes]
    if len(set(faults.tolist())) < 2:
        return None
    names = dictionary.rows
    columns = np.array(
        [c for c in range(dictionary.readings, len(names)) if seen.kind[c] != VALUE and names[c] not in without]
    )
    if not columns.size:
        return None
    weights = belief.mode[modes] / belief.mode[modes].sum()
    mean, spread = predicted(dictionary, seen, modes, columns)
    numbers, member = np.unique(faults, return_inverse=True)
    belongs = (member[:, None] == np.arange(len(numbers))[None, :]).astype(float)  # mode, fault
    entropy = _entropy(weights @ belongs)
    # What the probe may read: nodes of every mode. (column, mode, node)
    value = mean.T[:, :, None] + spread.T[:, :, None] * NODES
    away = (value[:, :, :, None] - mean.T[:, None, None, :]) / spread.T[:, None, None, :]
    density = weights * np.exp(-0.5 * away**2) / spread.T[:, None, None, :] + 1e-300
    after = density @ belongs
    after /= after.sum(axis=-1, keepdims=True)
    left = np.einsum("cmn,m,n->c", _entropy(after), weights, WEIGHTS / WEIGHTS.sum())
    best = int(np.argmax(entropy - left))
    information = float(entropy - left[best])
    if information < 0.05:
        return None
    name = names[int(columns[best])]
    expected = []
    for number in sorted(range(len(numbers)), key=lambda one: -float(weights @ belongs[:, one])):
        likeliest = int(np.argmax(weights * belongs[:, number]))
        middle, width = mean[likeliest, best], 2 * spread[likeliest, best]
        read = raw(dictionary, int(columns[best]), np.array([middle, middle - width, middle + width]))
        expected.append(
            Expectation(
                fault=dictionary.faults[int(numbers[number])],
                value=float(read[0]),
                lower=float(read[1]),
                upper=float(read[2]),
            )
        )
    return NextProbe(name=name, information_bit=information, entropy_bit=float(entropy), expected=tuple(expected))


def raw(dictionary: Dictionary, column: int, deviation: Floats) -> Floats:
    """Squashed deviations as values in the unit of the row."""
    counted = dictionary.location[column] + dictionary.scale[column] * LINEAR * np.sinh(deviation / LINEAR)
    return np.asarray(np.exp(counted) if dictionary.logarithmic[column] else counted)


def _entropy(share: Floats) -> Floats:
    """Of shares along the last axis, bit."""
    return np.asarray(-(share * np.log2(np.maximum(share, 1e-300))).sum(axis=-1))
