"""A gage study of 10 units × 3 operators × 3 repeats on 20 checks: evaluated in less than a second."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hil.app.study import STUDY, TURN, evaluate_study
from hil.core.ledger import Document
from hil.core.records import Reading, RunClosed, RunOpened, UnitVerdict, Verdict
from hil.core.study import Design, StudyPlan, draw_turns
from hil.core.study_result import evaluate
from hil.store.sqlite_store import SqliteStore

UNITS, PEOPLE = tuple(f"U{number}" for number in range(10)), ("Ann", "Ben", "Cy")
ROWS = tuple(f"c_{number}" for number in range(20))
NOW = "2026-11-25T10:00:00.000+00:00"


@pytest.fixture(scope="module")
def plan() -> StudyPlan:
    return StudyPlan(
        uid="s-1", name="s", design=Design.CROSSED, units=UNITS, operators=PEOPLE, fittings=0, repeats=3, seed=1,
        only=(), rows=ROWS, needed=ROWS, board="qm2", scope="full", bench="west", limits_sha256="", simulated=True,
        faults=(), made=NOW, turns=draw_turns(Design.CROSSED, UNITS, PEOPLE, fittings=0, repeats=3, seed=1),
    )  # fmt: skip


@pytest.fixture(scope="module")
def readings(plan: StudyPlan) -> dict[str, dict[tuple[int, int, int], Reading]]:
    rng = np.random.default_rng(1)
    found: dict[str, dict[tuple[int, int, int], Reading]] = {}
    for number, row in enumerate(ROWS):
        nominal = 10.0 ** (number / 4 - 12)
        values = 1 + rng.normal(0, 2e-3, (10, 1, 1)) + rng.normal(0, 5e-4, (1, 3, 1)) + rng.normal(0, 3e-4, plan.shape)
        found[row] = {
            (i, j, k): Reading(
                name=row, value=float(nominal * values[i, j, k]), unit="F", verdict=Verdict.PASS, nominal=nominal,
                lower=0.98 * nominal, upper=1.02 * nominal, parts=(f"part_{number}",), simulated=True, time=NOW,
            )
            for i, j, k in np.ndindex(*plan.shape)
        }  # fmt: skip
    return found


def test_evaluation(benchmark: Any, plan: StudyPlan, readings: dict[str, dict[tuple[int, int, int], Reading]]) -> None:
    result = benchmark(evaluate, plan, readings, part_uncertainties={f"part_{n}": 1e-15 for n in range(20)})
    assert len(result.rows) == 20
    assert result.linearity


def test_evaluation_from_the_record(
    benchmark: Any, tmp_path: Path, plan: StudyPlan, readings: dict[str, dict[tuple[int, int, int], Reading]]
) -> None:
    opened = RunOpened(
        run="", serial="", board="qm2", attempt=1, attempts_allowed=3, retest_reason="", scope="full", only="*",
        planned=ROWS, outside_scope=(), limits_file="", limits_revision="", limits_sha256="", kit_file="", bench="west",
        bench_file="", operator="", lot="", simulated=True, seed=1, faults=(), opened=NOW, suite_version="",
    )  # fmt: skip
    with SqliteStore(str(tmp_path / "simulated.sqlite")) as store:
        store.add(Document(uid=plan.uid, time=NOW, name="study s", content=plan.as_json()))
        with store.batch():
            for turn in plan.turns:
                run = f"R{turn.number}"
                facts = ((STUDY, plan.uid), (TURN, str(turn.number)))
                store.open_run(replace(opened, run=run, serial=turn.serial, operator=turn.operator, facts=facts))
                store.append_all(run, [readings[row][turn.place] for row in ROWS])
                store.close_run(
                    RunClosed(
                        run=run,
                        verdict=UnitVerdict.INCOMPLETE,
                        reason="",
                        closed=NOW,
                        planned=20,
                        judged=20,
                        facts=facts,
                    )
                )
        _, result = benchmark(evaluate_study, "s", store)
    assert all(row.study is not None for row in result.rows)
