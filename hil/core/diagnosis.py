"""Which fault explains a failing run: the likelihood of all its readings under each fault, times how often it happens.

There are no rules here. A `Dictionary` says what readings do under each fault; it was learned from units that went
through the very checks with one fault each (`hil.core.fault_dictionary`). Every reading speaks: one that passed
against all faults that would have moved it.

How a reading is seen.  A row that was tried has a value, a wrong text, or nothing (silence, over range); a row that was
not tried, because it comes after a failed one, says nothing of its own. Values are counted in standard deviations of
good units around their mean, beyond `LINEAR` of them only logarithmically: of a reading that is far off, how far is
known roughly at best.

What a fault does.  A fault has one or more modes (it may stop the meter in one unit and not in another). In a mode a
row's value is ``kept · (what this unit would read without the fault) + shift + scatter``; what good units read is
jointly normal. So the values of a mode are jointly normal too. Each value is judged given those before it, with heavy
tails (Student's t), so that one reading that the model does not understand costs something, but not everything.

None of these.  Beside the faults stands a unit that is good but for some readings that may be anything: what it wins,
no fault of the dictionary explains. A fault that accounts for none of the readings that no good unit has is the same:
what it wins by leaving the others alone is counted there, as far as such units fail at all.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

VALUE, WRONG, NOTHING, UNTRIED = 0, 1, 2, -1  # kinds of what is seen of a row; a right text counts as VALUE
OVER_RANGE_OHM = 1e9  # what counts as a resistance over range
UNSEEN_ODDS = np.array([0.6, 0.2, 0.2])  # of the kinds of what is seen of a row that a mode never came to
LINEAR = 20.0  # standard deviations up to which a value counts linearly
MODEL_ERROR = 0.4  # standard deviations of good units: benches differ by more than those learned from
CANDIDATES = 100  # modes that are judged exactly, after a quick look at all: more than look alike
OFF = 5.0  # standard deviations beyond which a reading of a unit like no other may be anything
UNLIKE = 3.0  # standard deviations from which a reading counts as unlike what is expected
EXPECTED = 0.2  # probability from which a fault accounts for what became of a row
IDLE_FAIL = 0.1  # how often a unit fails whose fault explains nothing strange, at most: good ones hardly ever do
OFF_SHARE, OFF_RANGE = 0.15, 100.0  # how often that is so, and over what range


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Modes:
    """What faults do, one line a mode, one column a row."""

    fault: Ints  # number of the fault it belongs to
    share: Floats  # how often the fault shows itself so; shares of a fault add up to 1
    shift: Floats
    kept: Floats
    scatter: Floats
    odds: Floats  # (mode, row, kind): probability of each kind of outcome once the row is tried


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Dictionary:
    """What readings do, in good units and under every fault.

    Args:
        about: what it was learned with: board, netlist_sha256, limits_revision, limits_sha256, firmware, ...
        rows: names of the columns: readings of the checks, then probes.
        readings: how many of the columns are readings.
        numeric: columns that have values; the others have texts or yes and no.
        logarithmic: columns that count by the logarithm of their value (resistances).
        location: mean of good units, by column (of the logarithm where that counts).
        scale: their standard deviation.
        covariance: of good units, in units of `scale`.
        faults: their texts.
        weights: how often they happen, by the weights file; they add up to 1.
        groups: number of the group each fault belongs to: no reading tells its members apart.
        sharpness: exponent of the likelihood: 1 would believe the model to the letter.
        none_weight: how often a failing unit has none of the faults.
        model_error: what the model does not know of a reading, in standard deviations of good units.
        tail_dof: degrees of freedom of the tails.
    """

    about: Mapping[str, str]
    rows: tuple[str, ...]
    readings: int
    numeric: npt.NDArray[np.bool_]
    logarithmic: npt.NDArray[np.bool_]
    location: Floats
    scale: Floats
    covariance: Floats
    faults: tuple[str, ...]
    weights: Floats
    groups: Ints
    modes: Modes
    sharpness: float = 1.0
    none_weight: float = 0.02
    model_error: float = MODEL_ERROR
    tail_dof: float = 4.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Observation:
    """What was seen of each row of a dictionary: its kind, and its value where there is one."""

    kind: Ints
    value: Floats


Seen = float | bool | str | None


def observe(dictionary: Dictionary, seen: Mapping[str, tuple[Seen, bool, bool]]) -> Observation:
    """What a run shows, in the dictionary's rows; rows that it never came to when it was learned say nothing.

    Such are the rows of other scopes than the one it was learned in: nobody knows what good units read there.

    Args:
        seen: by row name: value, whether it was tried, whether it passed.
    """
    kind = np.full(len(dictionary.rows), UNTRIED, dtype=np.int64)
    value = np.zeros(len(dictionary.rows))
    known = np.abs(dictionary.modes.odds - UNSEEN_ODDS).max(axis=(0, 2)) > 1e-3
    for column, name in enumerate(dictionary.rows):
        if name not in seen or not known[column]:
            continue
        found, tried, passed = seen[name]
        kind[column], value[column] = outcome(found, tried, passed)
    return Observation(kind=kind, value=standardised(dictionary, value))


def outcome(value: Seen, tried: bool, passed: bool) -> tuple[int, float]:
    """Kind and number of one reading."""
    if not tried:
        return UNTRIED, 0.0
    if isinstance(value, float | int) and not isinstance(value, bool) and math.isfinite(value):
        return VALUE, float(value)
    if value is None or isinstance(value, float):
        return NOTHING, 0.0
    return (VALUE if passed else WRONG), 0.0


def squashed(deviation: Floats) -> Floats:
    """Linear up to about `LINEAR`, logarithmic beyond."""
    result: Floats = LINEAR * np.arcsinh(deviation / LINEAR)
    return result


def standardised(dictionary: Dictionary, value: Floats) -> Floats:
    """Values of all rows in squashed standard deviations of good units."""
    counted = np.where(dictionary.logarithmic, np.log(np.maximum(value, 1e-3)), value)
    return squashed((counted - dictionary.location) / dictionary.scale)


# Likelihoods


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Posterior:
    """What is believed after readings: probability of every fault, and of none of them; together 1."""

    fault: Floats
    none: float
    mode: Floats  # of every mode, 0 where a quick look was enough


def believe(dictionary: Dictionary, seen: Observation, weights: Floats | None = None) -> Posterior:
    """Probabilities of all faults.

    Args:
        weights: how often faults happen; None: by the weights file.
    """
    modes = dictionary.modes
    prior = dictionary.weights if weights is None else weights
    with np.errstate(divide="ignore"):
        log_prior = np.log(prior[modes.fault] * modes.share * (1 - dictionary.none_weight))
    quick = quick_log_likelihood(dictionary, seen)
    chosen = np.argsort(log_prior + dictionary.sharpness * quick)[-CANDIDATES:]
    scores = log_prior[chosen] + dictionary.sharpness * log_likelihood(dictionary, seen, chosen)
    none = math.log(dictionary.none_weight) + dictionary.sharpness * _log_likelihood_of_none(dictionary, seen)
    top = max(float(scores.max()), none)
    shares, of_none = np.exp(scores - top), math.exp(none - top)
    idle = ~_explain_something(dictionary, seen, chosen)
    of_none += IDLE_FAIL * float(shares[idle].sum())
    shares[idle] = 0.0
    total = float(shares.sum()) + of_none
    mode = np.zeros(len(modes.fault))
    mode[chosen] = shares / total
    fault = np.bincount(modes.fault, weights=mode, minlength=len(dictionary.faults)).astype(np.float64)
    return Posterior(fault=fault, none=of_none / total, mode=mode)


def _explain_something(dictionary: Dictionary, seen: Observation, modes: Ints) -> npt.NDArray[np.bool_]:
    """Whether modes account for any reading that no good unit has; for all of them when there is no such reading."""
    known = dictionary.modes
    valued = np.zeros(len(seen.kind), dtype=bool)
    valued[_valued(dictionary, seen)] = True
    strange = np.flatnonzero((valued & (np.abs(seen.value) > UNLIKE)) | (seen.kind == WRONG) | (seen.kind == NOTHING))
    if not strange.size:
        return np.ones(len(modes), dtype=bool)
    value, scatter = seen.value[strange], known.scatter[modes][:, strange]
    away = np.abs(value - known.shift[modes][:, strange])
    is_near = ~valued[strange] | (away < np.maximum(np.abs(value) / 2, UNLIKE * scatter))
    return np.asarray((is_near & (known.odds[modes][:, strange, seen.kind[strange]] > EXPECTED)).any(axis=1))


def candidates(dictionary: Dictionary, seen: Observation) -> tuple[Ints, Floats]:
    """Faults that come into question, and how likely the readings are under each (natural logarithm)."""
    modes = dictionary.modes
    chosen = np.argsort(quick_log_likelihood(dictionary, seen))[-CANDIDATES:]
    found = np.log(modes.share[chosen]) + log_likelihood(dictionary, seen, chosen)
    numbers, place = np.unique(modes.fault[chosen], return_inverse=True)
    total = np.full(len(numbers), -np.inf)
    np.logaddexp.at(total, place, found)
    return numbers, total


def _valued(dictionary: Dictionary, seen: Observation) -> Ints:
    return np.flatnonzero((seen.kind == VALUE) & dictionary.numeric)


def _log_odds(dictionary: Dictionary, seen: Observation, modes: Ints | slice) -> Floats:
    tried = np.flatnonzero(seen.kind != UNTRIED)
    return np.asarray(np.log(dictionary.modes.odds[modes][:, tried, seen.kind[tried]]).sum(axis=1))


def quick_log_likelihood(dictionary: Dictionary, seen: Observation) -> Floats:
    """Of every mode, as if its rows scattered independently: good enough to choose candidates."""
    modes, columns = dictionary.modes, _valued(dictionary, seen)
    spread = np.sqrt(modes.kept[:, columns] ** 2 + modes.scatter[:, columns] ** 2 + dictionary.model_error**2)
    away = (seen.value[columns] - modes.shift[:, columns]) / spread
    values = (_log_t(away, dictionary.tail_dof) - np.log(spread)).sum(axis=1)
    return np.asarray(_log_odds(dictionary, seen, slice(None)) + values)


def log_likelihood(dictionary: Dictionary, seen: Observation, modes: Ints) -> Floats:
    """Of some modes, each value given those before it."""
    columns, known = _valued(dictionary, seen), dictionary.modes
    if not columns.size:
        return _log_odds(dictionary, seen, modes)
    kept = known.kept[modes][:, columns]
    covariance = kept[:, :, None] * dictionary.covariance[np.ix_(columns, columns)] * kept[:, None, :]
    diagonal = np.arange(len(columns))
    covariance[:, diagonal, diagonal] += known.scatter[modes][:, columns] ** 2 + dictionary.model_error**2
    away = seen.value[columns] - known.shift[modes][:, columns]
    root: Floats = np.linalg.cholesky(covariance).astype(np.float64)
    surprise = _solved(root, away)
    log_spread = np.log(root[:, diagonal, diagonal])
    values = (_log_t(surprise, dictionary.tail_dof) - log_spread).sum(axis=1)
    return np.asarray(_log_odds(dictionary, seen, modes) + values)


def _solved(root: Floats, right: Floats) -> Floats:
    """Solutions of triangular systems, one each mode, column after column: far quicker than a general solver."""
    result = np.empty_like(right)
    for place in range(right.shape[1]):
        before = np.einsum("mc,mc->m", root[:, place, :place], result[:, :place])
        result[:, place] = (right[:, place] - before) / root[:, place, place]
    return result


def _log_t(deviation: Floats, dof: float) -> Floats:
    """Logarithm of Student's t density."""
    constant = math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2) - math.log(dof * math.pi) / 2
    return np.asarray(constant - (dof + 1) / 2 * np.log1p(deviation**2 / dof))


def _log_likelihood_of_none(dictionary: Dictionary, seen: Observation) -> float:
    """Of a unit that is good but for some readings, which may be anything."""
    columns = _valued(dictionary, seen)
    value = seen.value[columns]
    covariance = dictionary.covariance[np.ix_(columns, columns)] + dictionary.model_error**2 * np.eye(len(columns))
    usual = np.abs(value) < OFF
    for _ in range(3):
        root = np.linalg.cholesky(covariance[np.ix_(usual, usual)])
        surprise = np.linalg.solve(root, value[usual])
        strange = np.abs(surprise) > OFF
        if not strange.any():
            break
        usual[np.flatnonzero(usual)[strange]] = False
    root = np.linalg.cholesky(covariance[np.ix_(usual, usual)])
    surprise = np.linalg.solve(root, value[usual])
    good = float((_log_t(surprise, dictionary.tail_dof) - np.log(np.diag(root))).sum())
    odd = int((~usual).sum()) + int(((seen.kind == WRONG) | (seen.kind == NOTHING)).sum())
    even = int((seen.kind == VALUE).sum()) - int((~usual).sum())
    return good + odd * math.log(OFF_SHARE / OFF_RANGE) + even * math.log(1 - OFF_SHARE)
