"""Long studies: does ``hil study`` find the effects that were put into the simulated bench, within its own intervals?

Each seed is a study of its own, 3 or 4 units × 4 operators × 2 repeats, through the same functions and checks as at a
bench: its units, its people's habits and its insertions are drawn anew. What is put in are standard deviations: people
differ by one, insertions by another. A seed recovers when every component's interval holds what was put in.

The three intervals of a study hold together in 99 of 100 studies (Bonferroni: each at 99.67 %), so that at least 95 of
100 seeds, and 28 of 30, can be demanded without luck. This was settled after seeds 0 to 99 had been seen, whose
intervals of 99 % each held together in 94 seeds where 97.7 were expected. So seeds 100 to 199 are asked here, which
nobody had seen when it was settled. At 95 % each component alone must be held in as many seeds as the binomial
distribution allows. Two tests tell chance from a fault: 1500 seeds without the bench, and that the bench finds the very
habits that were drawn. ``--keep-tables`` writes tests/data/gage_recovery.csv anew.
"""

import csv
import json
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from hil.core.gage import crossed
from hil.core.study import Design, draw_turns
from hil.sim.fitting import Fitting
from hil.sim.streams import Streams
from hil.sim.trouble import Troubles, parse_trouble

pytestmark = pytest.mark.study

SCRIPT = Path(__file__).with_name("gage_studies.py")
DATA = Path(__file__).parents[1] / "data"
SEEDS = range(100, 200)
TANK_SEEDS = range(30)  # a study of the tank costs four times as much
DRAWN_SEEDS = 1500
NOISE_OHM, STEP_OHM = 0.005, 0.001  # data sheet of the simulated voltmeter, range of 200 ohm


def run_studies(name: str, seeds: range) -> list[dict[str, Any]]:
    """The studies of all seeds, on all processors."""
    count = os.cpu_count() or 1
    processes = [
        subprocess.Popen(
            [sys.executable, str(SCRIPT), name, *map(str, seeds[first::count])],
            stdout=subprocess.PIPE,
            text=True,
        )
        for first in range(count)
    ]
    found = []
    for process in processes:
        said, _ = process.communicate()
        assert process.returncode == 0
        found += [json.loads(line) for line in said.splitlines()]
    return sorted(found, key=lambda one: int(one["seed"]))


def is_held(study: dict[str, Any], component: str, variance: float, level: str) -> bool:
    """Whether a study's interval of one component holds what was put in."""
    lower, upper = study[level][component]
    return bool(lower <= variance <= upper)


def keep(name: str, studies: list[dict[str, Any]], put_in: list[dict[str, float]]) -> None:
    """Write the lines of this study into the table; those of others, and of other seeds, stay."""
    path, seeds = DATA / "gage_recovery.csv", {str(one["seed"]) for one in studies}
    old = list(csv.DictReader(path.open(encoding="utf-8"))) if path.exists() else []
    rows: list[dict[str, Any]] = [row for row in old if row["study"] != name or row["seed"] not in seeds]
    for study, truth in zip(studies, put_in, strict=True):
        for component, variance in truth.items():
            row: dict[str, Any] = {"study": name, "seed": study["seed"], "component": component}
            row |= {"put_in_sd": f"{variance**0.5:.4g}", "found_sd": f"{study['sds'][component]:.4g}"}
            for level, word in (("95 %", "95"), ("joint", "joint")):
                lower, upper = (math.sqrt(edge) for edge in study[level][component])
                row |= {f"lower_{word}": f"{lower:.4g}", f"upper_{word}": f"{upper:.4g}"}
                row[f"held_{word}"] = int(is_held(study, component, variance, level))
            rows.append(row)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(sorted(rows, key=lambda row: (row["study"], int(row["seed"]))))


def recovered(studies: list[dict[str, Any]], put_in: list[dict[str, float]], *, least: int) -> None:
    """Hold the studies against what was put in, and print what was found."""
    count = len(studies)
    both = [
        all(is_held(study, name, variance, "joint") for name, variance in truth.items())
        for study, truth in zip(studies, put_in, strict=True)
    ]
    print(f"\nall components within their intervals of 99.67 % in {sum(both)} of {count} seeds")
    for name in put_in[0]:
        held = sum(is_held(study, name, truth[name], "95 %") for study, truth in zip(studies, put_in, strict=True))
        interval = stats.binomtest(held, count).proportion_ci(method="exact")
        print(f"{name}: within the 95 % interval in {held} of {count} ({interval.low:.1%} to {interval.high:.1%})")
        # Never fewer than chance allows of a method that covers 95 %.
        assert stats.binom.cdf(held, count, 0.95) > 0.001, name
    assert sum(both) >= least


def drawn(seed: int) -> Any:
    """The readings of a study of needles as its seed draws habits, insertions and noise, without bench and checks."""
    troubles = Troubles(map(parse_trouble, ("bench.operators.contact=40mohm", "bench.jig.contact.fitting=30mohm")))
    units, values = tuple(f"GS{seed:03d}-{number}" for number in range(4)), np.zeros((4, 4, 2))
    for turn in draw_turns(Design.CROSSED, units, ("Ann", "Ben", "Cy", "Dee"), fittings=0, repeats=2, seed=seed):
        noise = Streams(seed, turn.serial, turn.number)
        fitting = Fitting(troubles, Streams(seed, "bench"), noise, turn.operator)
        values[turn.place] = fitting.contact_ohm("GND") + NOISE_OHM * noise.gauss("voltmeter.resistance")
    return values


def test_what_was_drawn_is_covered() -> None:
    """The same habits, insertions and noise without bench and checks, for many more seeds: 95 % are 95 %."""
    put_in = {"operator": 0.040**2, "repeatability": 0.030**2 + NOISE_OHM**2, "unit": 0.0}
    held, together = dict.fromkeys(put_in, 0), 0
    for seed in range(DRAWN_SEEDS):
        values = drawn(seed)
        for name in put_in:
            one = crossed(values).component(name)
            held[name] += one.lower <= put_in[name] <= one.upper
        joint = crossed(values, confidence=1 - 0.01 / 3)
        together += all(
            joint.component(name).lower <= variance <= joint.component(name).upper for name, variance in put_in.items()
        )
    print(f"\nof {DRAWN_SEEDS}: {together} together; at 95 %: {held}")
    assert together >= 0.985 * DRAWN_SEEDS
    # One and a half per cent either way are 2.7 binomial standard deviations; an effect of zero is held more often.
    assert all(0.935 <= held[name] / DRAWN_SEEDS <= 0.965 for name in ("operator", "repeatability"))
    assert held["unit"] >= 0.935 * DRAWN_SEEDS


def test_contact_habits_and_insertions_are_recovered(request: pytest.FixtureRequest) -> None:
    """People differ by 40 mohm, insertions by 30 mohm; the voltmeter adds noise and a step, the unit nothing."""
    truth = {"operator": 0.040**2, "repeatability": 0.030**2 + NOISE_OHM**2 + STEP_OHM**2 / 12, "unit": 0.0}
    studies, put_in = run_studies("contact", SEEDS), [truth] * len(SEEDS)
    if request.config.getoption("--keep-tables"):
        keep("contact", studies, put_in)
    recovered(studies, put_in, least=95)
    for study in studies:  # a chain of bench, checks, record and evaluation that changes nothing but the step
        alone = crossed(drawn(study["seed"])).component("operator").sd
        assert study["sds"]["operator"] == pytest.approx(alone, abs=STEP_OHM / 2), study["seed"]


def test_capacitance_of_the_jig_is_recovered_in_the_frequency(request: pytest.FixtureRequest) -> None:
    """People add 0.3 pF, insertions 0.2 pF to C1 = 680 pF: df/f = −dC/(2·C). Units differ by their L1 and C1."""
    studies = run_studies("tank", TANK_SEEDS)
    c1_f, jig_f = 680e-12, 1.3e-12
    truncated = 0.9733  # variance of a normal value cut off at three standard deviations
    of_units = math.hypot(0.10 / 3, 0.05 / 3) / 2 * math.sqrt(truncated)
    put_in = [
        {
            "operator": (study["mean"] * 0.3e-12 / (2 * (c1_f + jig_f))) ** 2,
            "repeatability": (study["mean"] * 0.2e-12 / (2 * (c1_f + jig_f))) ** 2,
            "unit": (study["mean"] * of_units) ** 2,
        }
        for study in studies
    ]
    if request.config.getoption("--keep-tables"):
        keep("tank", studies, put_in)
    recovered(studies, put_in, least=28)
