"""The same failing units told apart by a library's classifiers, which know nothing of how our diagnosis works.

python study_best_classifier.py TABLE ... < UNITS     one CSV line a figure; UNITS as study_diagnosis.py prints them

They learn from the units that the dictionary was learned from, made into many: what a fault did to its unit (read with
it, less read without) is put upon other good units. Each is given the prior as it stands in the weights file and the
groups of the dictionary. What the best of them reaches is a lower bound of what the best possible one would.
"""

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from typing import Any

import numpy as np
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

COPIES = 12  # of each unit with a fault, upon as many good units
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


def figures(tables: Sequence[TrialTable], units: Sequence[dict[str, Any]]) -> Iterator[tuple[str, float, float]]:
    """(classifier, share of units whose cause or its group is first, among the first three)."""
    limits, netlist, possible = board_of("qm2")
    known = load_dictionary(dictionary_path("qm2"))
    tries, faults = tries_of(tables, possible, columns_of(limits.rows, netlist))
    assert faults == known.faults, "the tables are not those that the dictionary was learned from"
    lines, numbers = many(known, tries)
    weight = known.weights[numbers] / np.bincount(numbers, minlength=len(known.faults))[numbers]
    asked = []
    for unit in units:
        seen = observe(known, {name: tuple(one) for name, one in unit["readings"].items()})
        asked.append(features(seen.kind[: known.readings], seen.value[: known.readings]))
    classes = np.unique(numbers)
    priors = known.weights[classes] / known.weights[classes].sum()
    by_tree = ExtraTreesClassifier(40, min_samples_leaf=4, n_jobs=1, random_state=5)
    by_tree.fit(lines, numbers, sample_weight=weight * len(weight) / weight.sum())
    yield "extremely randomised trees", *shares(known, classes, by_tree.predict_proba(np.array(asked)), units)
    linear = LinearDiscriminantAnalysis(solver="lsqr", shrinkage=0.05, priors=priors)
    linear.fit(lines, numbers)
    yield "linear discriminant, shrunk", *shares(known, classes, linear.predict_proba(np.array(asked)), units)
    logistic = make_pipeline(StandardScaler(), LogisticRegression(C=10.0, max_iter=60))
    logistic.fit(lines, numbers, logisticregression__sample_weight=weight * len(weight) / weight.sum())
    yield "logistic regression", *shares(known, classes, logistic.predict_proba(np.array(asked)), units)


def shares(known: Dictionary, classes: Ints, belief: Floats, units: Sequence[dict[str, Any]]) -> tuple[float, float]:
    """First, and among the first three."""
    found = np.array(places(known, classes, belief, units))
    return float((found < 1).mean()), float((found < 3).mean())


if __name__ == "__main__":
    failing = [one for one in map(json.loads, sys.stdin) if one["verdict"] == "FAIL"]
    with ExitStack() as stack:
        opened = [stack.enter_context(TrialTable(path, read_only=True)) for path in sys.argv[1:]]
        for name, first, three in figures(opened, failing):
            print(f'fresh,"{name}, same readings and units to learn from: first",,{first:.3f},{len(failing)}')
            print(f'fresh,"{name}, same readings and units to learn from: first three",,{three:.3f},{len(failing)}')
