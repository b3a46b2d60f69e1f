"""Plans, runs and evaluates studies on the simulated bench with known effects put in; one JSON line a seed.

python gage_studies.py contact 0 2 4      seeds 0, 2 and 4 of the study of needles
python gage_studies.py tank 1 3           seeds 1 and 3 of the study of the tank with its jig

A line has, for each component of variance, its interval at 95 % and at 99.67 % (three of which hold together at
99 %), and the mean of all readings.
"""

import json
import sys
import tempfile
from pathlib import Path

from hil.app.settings import read_settings
from hil.app.study import Wish, evaluate_study, plan_study, run_study
from hil.runner import CHECKS, BoardSession, plan_unit
from hil.store.sqlite_store import open_store

NOW = "2026-11-25T05:00:00.000+00:00"
STUDIES = {  # row, number of units, what is put in
    "contact": (
        "contact_gnd",
        4,
        # The shift keeps every needle's resistance above zero, whatever chance adds.
        ("bench.jig.contact=200mohm", "bench.operators.contact=40mohm", "bench.jig.contact.fitting=30mohm"),
    ),
    "tank": ("f_open", 3, ("bench.operators.capacitance=0.3pF", "bench.jig.capacitance.fitting=0.2pF")),
}


def study(row: str, units: int, faults: tuple[str, ...], seed: int) -> dict[str, object]:
    """One study: units of their own for each seed, 4 operators, 2 repeats."""
    with tempfile.TemporaryDirectory() as folder:
        settings = read_settings({"out": folder}, folder=Path(folder))
        wish = Wish(
            name="recover", settings=settings, now=NOW,
            units=tuple(f"GS{seed:03d}-{number}" for number in range(units)),
            operators=("Ann", "Ben", "Cy", "Dee"), repeats=2, only=(row,), seed=seed, faults=faults,
        )  # fmt: skip
        plan = plan_study(wish, plan_unit)
        modules = {one.check.partition("::")[0] for one in _rows if one.name in plan.needed}
        checks = tuple(path for path in sorted(CHECKS.glob("test_*.py")) if path.name in modules)
        with BoardSession(checks) as session:
            for _, outcome in run_study(plan, settings, session, now=NOW):
                assert outcome.trouble == ""
        found: dict[str, object] = {"seed": seed}
        with open_store(settings.records(simulated=True), read_only=True) as store:
            for name, confidence in (("95 %", 0.95), ("joint", 1 - 0.01 / 3)):
                (result,) = evaluate_study("recover", store, confidence=confidence)[1].rows
                assert result.study is not None
                found[name] = {one.name: (one.lower, one.upper) for one in result.study.components}
                found["mean"] = result.mean
                found["sds"] = {one.name: one.sd for one in result.study.components}
        return found


def _planned_rows() -> tuple[object, ...]:
    from hil.app.check_files import read_files
    from hil.app.study import unit_run_of

    settings = read_settings({})
    return plan_unit(unit_run_of(read_files(settings, today=NOW[:10]))).rows


if __name__ == "__main__":
    _rows = _planned_rows()
    row, units, faults = STUDIES[sys.argv[1]]
    for seed in map(int, sys.argv[2:]):
        print(json.dumps(study(row, units, faults, seed)), flush=True)
