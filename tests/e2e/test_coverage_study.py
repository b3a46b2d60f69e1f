"""Coverage on a weighted sample of the universe, held to the table in tests/data; and rows that are there for it."""

import csv
import os
import random
from pathlib import Path

import pytest

from hil.app.coverage import Work, files_for_trials, fill, trials_of
from hil.app.fault_universe import universe_of
from hil.app.settings import read_settings
from hil.core.coverage import GOOD, Trial, Tried
from hil.runner import BoardSession
from hil.store.trials import TrialTable

pytestmark = pytest.mark.study

DATA = Path(__file__).parent.parent / "data"
TABLE = DATA / "coverage_faults.csv"
NOW = "2026-11-25T05:00:00.000+00:00"
SAMPLE, FRESH = 60, 9  # so many faults, drawn by weight, each on a unit that no other figure rests on
JOBS = os.cpu_count() or 1


def table() -> dict[str, dict[str, str]]:
    with TABLE.open(newline="") as lines:
        return {row["fault"]: row for row in csv.DictReader(line for line in lines if not line.startswith("#"))}


def run(trials: list[Trial], folder: Path) -> dict[tuple[str, int], Tried]:
    settings = read_settings({"out": str(folder)}, folder=folder)
    work = Work(settings=settings, files=files_for_trials(settings, NOW[:10]), open_session=BoardSession, now=NOW)
    with TrialTable(str(folder / "trials.sqlite"), key={"limits": "qm2"}) as kept:
        return {(one.trial.fault, one.trial.number): one for one in fill(kept, trials, work, jobs=JOBS)}


def test_a_weighted_sample_on_fresh_units_is_caught_as_the_table_says(tmp_path: Path) -> None:
    """What is caught there is caught here but for a twentieth, strengths being others; what nothing shows is not."""
    netlist, possible = universe_of("qm2")
    known = table()
    chosen = random.Random("coverage").choices(possible, [one.weight for one in possible], k=SAMPLE)
    texts = {one.text for one in chosen}
    trials = [one for one in trials_of(possible, netlist, units=FRESH + 1) if one.number == FRESH]
    found = run([one for one in trials if one.fault in texts], tmp_path)
    caught = {text for text in texts if found[text, FRESH].is_caught}
    always = {text for text in texts if known[text]["caught"] == known[text]["units"]}
    assert len(always & caught) >= 0.95 * len(always)
    unseen = {text for text in texts if known[text]["visible"] == "0" and known[text]["caught"] == "0"}
    assert not unseen & caught


CAUGHT_BY = {
    "R15=+20%": "r_t0",
    "R15=x10": "r_t0",
    "R15=-50%": "r_t0",
    "R14=+20%": "filter_average",
    "R14=-50%": "filter_average",
    "R14=short": "filter_average",
    "U3.5,U3.6=bridge": "filter_average",
    "R16=-20%": "k1_saturation",
    "R16=value=2.7kohm": "k1_saturation",
    "R12=-50%": "usual_l_100m",
    "Y1=+55ppm": "timebase.crystal",
    "R27=intermittent=0.1": "steady_panel",
    "R17=intermittent=0.1": "steady_panel",
    "R4=intermittent=0.1": "steady_averages",
    "R14=intermittent=0.1": "steady_averages",
    "R8=intermittent=0.1": "steady_battery",
    "R5=intermittent=0.1": "port_repeats",
    "R6=intermittent=0.1": "port_repeats",
    "R17=x10": "lamp1_current",
    "R18=-50%": "lamp2_current",
}


def test_rows_catch_what_they_are_there_for_and_no_good_unit(tmp_path: Path) -> None:
    """Each of these could be seen and was not caught before revisions B and C; two dozen good units pass."""
    trials = [
        Trial(fault=text, number=0, serial=f"QM2-7{place:04d}", made=text) for place, text in enumerate(CAUGHT_BY)
    ]
    good = [Trial(fault=GOOD, number=number, serial=f"QM2-{number + 70001:05d}") for number in range(24)]
    found = run(trials + good, tmp_path)
    assert {text: row for text, row in CAUGHT_BY.items() if row not in found[text, 0].failed} == {}
    assert [one.trial.serial for one in found.values() if one.trial.fault == GOOD and one.is_caught] == []
