"""The shipped limits: risks predicted by the joint model are those counted in 200 000 units that pass the judge."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from hil.app import risk as room
from hil.app.expected import Expected
from hil.app.locate import load_process
from hil.app.risk import risks_of
from hil.app.settings import read_settings
from hil.cli.planned import expected_of
from hil.core.budget import Budget
from hil.core.limit import Rule
from hil.core.population import Check

pytestmark = pytest.mark.study
UNITS = 200_000


@pytest.fixture(scope="module")
def rows() -> Sequence[Expected]:
    return expected_of(read_settings({}))[1]


def guarded(rows: Sequence[Expected]) -> list[Expected]:
    """The same limits with every kind of rule, one after the other; the repeat stage among them."""
    rules = (
        Rule(kind="guard_band", r=1.0),
        Rule(kind="guard_band", r=0.83, binary=False),
        Rule(kind="guard_band", r=1.0, binary=False, repeats=4),
        Rule(kind="specific_risk", max_risk=0.02),
        Rule(kind="guard_band", binary=False, accepts_conditional=True),
    )
    found = []
    for number, row in enumerate(rows):
        rule = rules[number % len(rules)]
        averaged = row.budget.averaged(rule.repeats) if row.budget and rule.repeats > 1 else None
        found.append(replace(row, limit=replace(row.limit, rule=rule), averaged=averaged))
    return found


@pytest.mark.parametrize("process", ["", "qm2"])
def test_simple_acceptance_as_shipped(rows: Sequence[Expected], process: str) -> None:
    found = risks_of(rows, load_process(process), units=UNITS, seed=1)
    assert len(found.checks) > 80
    assert [entry.name for entry in (*found.checks, found.whole) if not entry.agrees] == []


def test_every_kind_of_rule(rows: Sequence[Expected]) -> None:
    found = risks_of(guarded(rows), load_process(""), units=UNITS, seed=2)
    assert [entry.name for entry in (*found.checks, found.whole) if not entry.agrees] == []
    assert sum(entry.counted.false_rejection > 100 for entry in found.checks) > 40  # not because nothing happens


@pytest.mark.parametrize("name", ["current_idle", "protection_drop", "c_1p", "c_100n", "l_1u", "f_supply_low"])
def test_half_of_u_in_one_limit_is_noticed(
    rows: Sequence[Expected], name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the prediction is told half of U: the readings of the population scatter as they do."""
    predict = room.predict

    def half(check: Check) -> object:
        if check.limit.name != name or check.budget is None:
            return predict(check)
        shared = {source: part / 2 for source, part in check.shared_errors.items()}
        return predict(replace(check, budget=halved(check.budget), shared_errors=shared))

    monkeypatch.setattr(room, "predict", half)
    some = [row for row in rows if row.limit.name.startswith((name, "c_4", "l_4"))]
    found = risks_of(some, load_process(""), units=UNITS, seed=3)
    assert [entry.name for entry in found.checks if not entry.agrees] == [name]


def halved(budget: Budget) -> Budget:
    rows = tuple(replace(row, contribution=row.contribution / 2) for row in budget.rows)
    u, expanded = budget.standard_uncertainty / 2, budget.expanded_uncertainty / 2
    return replace(budget, rows=rows, standard_uncertainty=u, expanded_uncertainty=expanded)
