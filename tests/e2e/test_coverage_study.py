"""Coverage on a weighted sample of the universe, held to the table in tests/data; and the rows that are proposed."""

import csv
import os
import random
import re
import shutil
from pathlib import Path

import pytest

from hil.app.coverage import Work, files_for_trials, fill, trials_of
from hil.app.coverage_subject import universe_of
from hil.app.limits_release import release
from hil.app.locate import locate
from hil.app.settings import read_settings
from hil.core.coverage import GOOD, Trial, Tried
from hil.runner import run_unit
from hil.store.trials import TrialTable

pytestmark = pytest.mark.study

DATA = Path(__file__).parent.parent / "data"
TABLE, PROPOSED = DATA / "coverage_faults.csv", DATA / "proposed_rows.toml"
NOW = "2026-11-25T05:00:00.000+00:00"
SAMPLE, FRESH = 60, 9  # so many faults, drawn by weight, each on a unit that no other figure rests on
JOBS = os.cpu_count() or 1


def table() -> dict[str, dict[str, str]]:
    with TABLE.open(newline="") as lines:
        return {row["fault"]: row for row in csv.DictReader(line for line in lines if not line.startswith("#"))}


def run(trials: list[Trial], folder: Path, *, limits: str = "qm2") -> dict[tuple[str, int], Tried]:
    settings = read_settings({"limits": limits, "out": str(folder)}, folder=folder)
    work = Work(settings=settings, files=files_for_trials(settings, NOW[:10]), run_session=run_unit, now=NOW)
    with TrialTable(str(folder / "trials.sqlite"), key={"limits": limits}) as kept:
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
    unseen = {text for text in texts if known[text]["visible"] == "no" and known[text]["caught"] == "0"}
    assert not unseen & caught


@pytest.fixture(scope="module")
def proposed(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The limits with the proposed rows, as a revision of their own that is released."""
    folder = tmp_path_factory.mktemp("limits")
    for name in ("qm2.toml", "released.toml"):
        shutil.copy(locate("limits", "qm2").parent / name, folder / name)
    shutil.copytree(locate("limits", "qm2").parent / "released", folder / "released")
    path = folder / "qm2.toml"
    text = re.sub(r'^revision = ".*"$', 'revision = "proposed"', path.read_text(), flags=re.MULTILINE)
    text = re.sub(r"\[limit\.k1_drive_on\]\n(.+\n)+", "", text)
    path.write_text(text + "\n" + PROPOSED.read_text())
    release(str(path), by="a test", reason="to see what the proposed rows catch", today=NOW[:10])
    return str(path)


MISSED = ("R15=+20%", "R15=x10", "R15=-50%", "R14=+20%", "R14=-50%", "R14=x0.1", "R16=-50%", "R16=+50%")


def test_the_proposed_rows_catch_what_is_missed_and_no_good_unit(proposed: str, tmp_path: Path) -> None:
    """Each of these is seen and not caught with the present limits; a dozen good units pass with the proposed ones."""
    known = table()
    assert all(known[text]["caught"] == "0" and known[text]["visible"] == "yes" for text in MISSED)
    trials = [Trial(fault=text, number=0, serial=f"QM2-7{place:04d}", made=text) for place, text in enumerate(MISSED)]
    good = [Trial(fault=GOOD, number=number, serial=f"QM2-{number + 1:05d}") for number in range(12)]
    found = run(trials + good, tmp_path, limits=proposed)
    assert [text for text in MISSED if not found[text, 0].is_caught] == []
    assert [one.trial.serial for one in found.values() if one.trial.fault == GOOD and one.is_caught] == []
    rows = {name for text in MISSED for name in found[text, 0].failed}
    assert rows == {"r_t0", "filter_average", "k1_drive_on"}
