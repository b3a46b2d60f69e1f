"""How often stated probabilities of causes are right, on the units that the dictionary was learned from.

python study_calibration.py TABLE ...     one CSV line a decile, as in tests/data/diagnosis_accuracy.csv

Every unit is diagnosed by a dictionary that was made without it and without all else that was tried on its bench
(`hil.core.fault_dictionary.left_out`). There are as many units with a rare fault as with a frequent one, so each counts
by the weight of its fault: a rare fault is what looks like several others, and a hundred fresh units, drawn by weight,
hold few of them. The count in the last column is that of equally weighted cases which would know as much (Kish, Survey
Sampling, 1965).
"""

import sys
from contextlib import ExitStack

import numpy as np

from hil.app.dictionary_file import dictionary_path, load_dictionary
from hil.app.learn_faults import board_of, columns_of, tries_of
from hil.core.diagnosis import Floats
from hil.core.fault_dictionary import left_out
from hil.store.trials import TrialTable

MOST_CAUSES, LEAST_SHARE = 5, 0.002  # of a unit, as they are shown


def stated(tables: list[str]) -> Floats:
    """One line a stated cause: its probability, 1 when it was right, weight."""
    limits, netlist, possible = board_of("qm2")
    known = load_dictionary(dictionary_path("qm2"))
    with ExitStack() as stack:
        opened = [stack.enter_context(TrialTable(path, read_only=True)) for path in tables]
        columns = columns_of(limits.rows, netlist)
        tries, faults = tries_of(opened, possible, columns)
    assert faults == known.faults, "the tables are not those that the dictionary was learned from"
    weights = known.weights / np.maximum(np.bincount(tries.fault[tries.fault >= 0], minlength=len(faults)), 1)
    lines = []
    for one in left_out(columns, tries, faults, known.weights):
        if not one.is_strange:
            continue
        belief = np.log(known.weights[one.among]) + known.sharpness * one.log_likelihood
        share = np.exp(belief - belief.max())
        groups = np.bincount(known.groups[one.among], weights=share / share.sum())
        for group in np.argsort(-groups)[:MOST_CAUSES]:
            if groups[group] > LEAST_SHARE:
                lines.append((groups[group], group == known.groups[one.fault], weights[one.fault]))
    return np.array(lines, dtype=float)


def main(tables: list[str]) -> None:
    """Print the deciles."""
    lines = stated(tables)
    for decile in range(10):
        share, right, weight = lines[np.minimum((lines[:, 0] * 10).astype(int), 9) == decile].T
        equal = weight.sum() ** 2 / (weight**2).sum()
        said, found = np.average(share, weights=weight), np.average(right, weights=weight)
        error = np.sqrt(found * (1 - found) / equal)
        lower, upper = max(found - 2 * error, 0.0), min(found + 2 * error, 1.0)
        figure = f"right of causes stated with {share.min():.2f} to {share.max():.2f}: {said:.3f} on average"
        print(f'left out in turn,"{figure}",,{found:.3f},{lower:.3f},{upper:.3f},{equal:.0f}')


if __name__ == "__main__":
    main(sys.argv[1:])
