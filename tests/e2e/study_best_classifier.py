"""The same failing units told apart by a library's classifiers, which know nothing of how our diagnosis works.

python study_best_classifier.py TABLE ... < UNITS     a CSV line a figure, as in diagnosis_accuracy.csv

UNITS are what test_diagnosis_study.py keeps.

They learn from the units that the dictionary was learned from, made into many: what a fault did to its unit (read with
it, less read without) is put upon other good units. Each is given the prior as it stands in the weights file and the
groups of the dictionary. What the best of them reaches is a lower bound of what the best possible one would.
"""

import csv
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from typing import Any

import numpy as np
from scipy.stats import binomtest
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from hil.app.dictionary_file import dictionary_path, load_dictionary
from hil.app.learn_faults import board_of, columns_of, tries_of
from hil.core.diagnosis import NOTHING, UNTRIED, VALUE, WRONG, Dictionary, Floats, Ints, observe
from hil.core.fault_dictionary import Tries, observations
from hil.store.trials import TrialTable

Belief = Callable[[Floats], Floats]
COPIES = 6  # of each unit with a fault, upon as many good units
READINGS_NOISE = 0.1  # standard deviations of good units, so that no tree learns a last digit by heart


def features(kind: Ints, value: Floats) -> Floats:
    """One line a unit: values, and which rows were wrong, silent or not tried."""
    kinds = [kind == one for one in (WRONG, NOTHING, UNTRIED)]
    return np.concatenate([np.where(kind == VALUE, value, 0.0), *(10.0 * one for one in kinds)], axis=-1)


def many(known: Dictionary, tries: Tries) -> tuple[Floats, Ints]:
    """Units to learn from, and the number of each one's fault."""
    seen = observations(known, tries)
    kind = np.array([one.kind[: known.readings] for one in seen])
    value = np.array([one.value[: known.readings] for one in seen])
    random = np.random.default_rng(5)
    good = np.flatnonzero(tries.fault == -1)
    lines, faults = [], []
    for unit in np.flatnonzero((tries.fault >= 0) & tries.failed):
        partner = tries.partner[unit]
        both = (kind[unit] == VALUE) & (kind[partner] == VALUE) & known.numeric[: known.readings]
        shift = np.where(both, value[unit] - value[partner], value[unit])
        for other in random.choice(good, COPIES, replace=False):
            base = np.where(both & (kind[other] == VALUE), value[other], 0.0)
            noise = READINGS_NOISE * random.standard_normal(known.readings)
            lines.append(features(kind[unit], shift + base + noise))
            faults.append(int(tries.fault[unit]))
    return np.array(lines), np.array(faults)


def places(known: Dictionary, classes: Ints, belief: Floats, units: Sequence[dict[str, Any]]) -> list[int]:
    """Place of the true cause's group for each unit."""
    found = []
    for unit, share in zip(units, belief, strict=True):
        groups = np.bincount(known.groups[classes], weights=share, minlength=int(known.groups.max()) + 1)
        true = {int(known.groups[known.faults.index(one)]) for one in unit["faults"] if one in known.faults}
        best = max((groups[one] for one in true), default=-1.0)
        found.append(int((groups > best).sum()) if true else len(groups))
    return found


def classifiers(known: Dictionary, tables: Sequence[TrialTable]) -> Iterator[tuple[str, Ints, Belief]]:
    """(name, numbers of the faults it knows, what it makes of units)."""
    limits, netlist, possible = board_of("qm2")
    tries, faults = tries_of(tables, possible, columns_of(limits.rows, netlist))
    assert faults == known.faults, "the tables are not those that the dictionary was learned from"
    lines, numbers = many(known, tries)
    weight = known.weights[numbers] / np.bincount(numbers, minlength=len(known.faults))[numbers]
    weight *= len(weight) / weight.sum()
    classes = np.unique(numbers)
    by_tree = ExtraTreesClassifier(40, min_samples_leaf=4, n_jobs=1, random_state=5)
    by_tree.fit(lines, numbers, sample_weight=weight)
    yield "extremely randomised trees", classes, by_tree.predict_proba
    priors = known.weights[classes] / known.weights[classes].sum()
    linear = LinearDiscriminantAnalysis(solver="lsqr", shrinkage=0.05, priors=priors)
    linear.fit(lines, numbers)
    yield "linear discriminant, shrunk", classes, linear.predict_proba
    logistic = make_pipeline(StandardScaler(), LogisticRegression(C=10.0, max_iter=60))
    logistic.fit(lines, numbers, logisticregression__sample_weight=weight)
    yield "logistic regression", classes, logistic.predict_proba


def asked(known: Dictionary, units: Sequence[dict[str, Any]]) -> Floats:
    """Units as classifiers see them."""
    lines = []
    for unit in units:
        seen = observe(known, {name: tuple(one) for name, one in unit["readings"].items()})
        lines.append(features(seen.kind[: known.readings], seen.value[: known.readings]))
    return np.array(lines)


def main(tables: Sequence[TrialTable], units: Sequence[dict[str, Any]]) -> None:
    """First, and among the first three, by classifier and kind of units."""
    known = load_dictionary(dictionary_path("qm2"))
    by_kind = {kind: [one for one in units if one["kind"] == kind] for kind in dict.fromkeys(u["kind"] for u in units)}
    rows = csv.writer(sys.stdout)
    for name, classes, believed in classifiers(known, tables):
        for kind, some in by_kind.items():
            found = np.array(places(known, classes, believed(asked(known, some)), some))
            for most, words in ((1, "first"), (3, "among the first three")):
                figure = f"{name}, same readings and units to learn from: {words}"
                right = int((found < most).sum())
                bounds = binomtest(right, len(some)).proportion_ci()
                shares = (right / len(some), bounds.low, bounds.high)
                rows.writerow((kind, figure, "", *(f"{one:.3f}" for one in shares), len(some)))


if __name__ == "__main__":
    failing = [one for one in map(json.loads, sys.stdin) if one["verdict"] == "FAIL"]
    with ExitStack() as stack:
        main([stack.enter_context(TrialTable(path, read_only=True)) for path in sys.argv[1:]], failing)
