"""Budgets to look at: expected, recorded, and the best that one unit could do."""

from dataclasses import replace

import pytest

from hil.app.budget_sources import at_best, expected_budgets, recorded
from hil.app.expected import Expected
from hil.core.budget import budget
from hil.core.equipment import MeterUncertainty
from hil.core.inputs import normal, rectangular
from hil.core.limit import Limit
from hil.core.records import BudgetRow, Reading, RunClosed, RunOpened, Verdict
from hil.errors import UsageError
from hil.store.sqlite_store import SqliteStore

METER = MeterUncertainty(
    noise=2e-6,
    noise_dof=50,
    drift_between_gates=2e-6,
    drift_since_zero=5e-6,
    timebase=20e-6,
    timebase_drift=2e-7,
    battery_step_v=0.0122,
)
CORRELATED = (normal("part: certificate", 1.0, 0.3), normal("part: drift", 0.0, 0.2), rectangular("jig", 0.0, 0.1))


def rows_of(u: float) -> tuple[BudgetRow, ...]:
    return budget(lambda a: a, [normal("Ccal", 0.0, u)]).rows


def reading(name: str, value: float, unit: str = "", **more: object) -> Reading:
    return Reading(name=name, value=value, unit=unit, verdict=Verdict.PASS, simulated=True, time="", **more)  # type: ignore[arg-type]


@pytest.fixture
def where(tmp_path, opened: RunOpened, closed: RunClosed):
    """A record with one adjusted unit and one that was not."""
    path = str(tmp_path / "records.sqlite")
    adjusted = (
        reading("f_open", 605e3, "Hz"),
        reading("f_ccal", 367e3, "Hz"),
        reading("ccal", 1.2e-9, "F", nominal=1.2e-9),
        reading("scale", 1.016),
        reading("ccal.as_found", 2e-3, expanded_uncertainty=4e-4, coverage_factor=2.0, budget=rows_of(2e-4)),
        reading("scale.as_found", 1e-3, expanded_uncertainty=1e-3, coverage_factor=2.0, budget=rows_of(5e-4)),
        reading("c_1n", 1.0e-9, "F", nominal=1.0e-9, lower=0.99e-9, upper=1.01e-9, expanded_uncertainty=7e-13,
                coverage_factor=2.0, budget=rows_of(3.5e-13)),
        reading("l_1m", 1.0e-3, "H", nominal=1.0e-3),
    )  # fmt: skip
    with SqliteStore(path) as store:
        for run, readings in (("R1", adjusted), ("R2", adjusted[:4])):
            store.open_run(replace(opened, run=run, serial=f"Q-{run}"))
            for one in readings:
                store.append(run, one)
            store.close_run(replace(closed, run=run))
    return path


def test_an_expected_budget_is_held_against_monte_carlo() -> None:
    found = budget(
        lambda a, b, c: a + b + c, CORRELATED, correlation={("part: certificate", "part: drift"): 0.6}, coverage="shape"
    )
    limit = Limit(name="c_1n", title="capacitance, 1 nF", lower=-3.0, upper=3.0)
    (shown,) = expected_budgets([Expected(limit=limit, budget=found)], "c_*")
    assert (shown.name, shown.title, shown.rows) == ("c_1n", "capacitance, 1 nF", found.rows)
    assert shown.ratio == pytest.approx(3.0 / found.expanded_uncertainty)
    assert shown.comparison is not None  # certificate and drift count as one: they are correlated
    assert shown.comparison.is_validated


def test_rows_that_do_not_add_up_are_not_held_against_anything() -> None:
    wrong = budget(lambda a, b: a + b, [normal("a", 0.0, 1.0), normal("b", 0.0, 1.0)], correlation={("a", "b"): 0.5})
    (shown,) = expected_budgets([Expected(limit=Limit(name="x", upper=1.0), budget=wrong)], "x")
    assert (shown.comparison, shown.ratio) == (None, None)


def test_what_has_no_budget_is_said() -> None:
    exact = Expected(limit=Limit(name="reload", lower=-4.0, upper=4.0), budget=None)
    with pytest.raises(UsageError, match="'reload': no row of that name has a budget: it is a text, a whole number"):
        expected_budgets([exact], "reload")


def test_a_recorded_budget(where: str) -> None:
    (shown,) = recorded(where, "R1", "c_*")
    assert (shown.source, shown.expanded_uncertainty) == ("Q-R1, run R1", 7e-13)
    assert shown.ratio == pytest.approx(0.01e-9 / 7e-13)
    with pytest.raises(UsageError, match=r"'l_\*': no reading of run R1 with that name has a budget"):
        recorded(where, "R1", "l_*")


def test_the_best_a_unit_could_do(where: str) -> None:
    """The timebase cancels from capacitance and counts twice, the other way, in inductance; Ccal the other way too."""
    c, coil = at_best(where, "R1", "?_1?", METER)
    rows = {one.name: {row.name: row for row in one.rows} for one in (c, coil)}
    assert rows["c_1n"]["meter: timebase"].contribution < 1e-9 * c.expanded_uncertainty
    assert rows["c_1n"]["Ccal as stored"].standard_uncertainty == pytest.approx(2e-4)
    assert rows["l_1m"]["meter: timebase"].sensitivity == pytest.approx(-2e-3, rel=1e-6)
    assert rows["l_1m"]["Ccal as stored"].sensitivity == pytest.approx(-1e-3, rel=1e-6)
    assert rows["l_1m"]["inductance scale as stored"].standard_uncertainty == pytest.approx(5e-4)
    for one in (c, coil):  # the model itself is drawn, not its linear rows
        assert one.comparison is None
        assert one.notes[0].startswith("GUM validated by Monte Carlo: ends of the intervals differ by")
    assert c.source == "at best, from f1, f2, Ccal and scale of Q-R1"


def test_a_unit_that_was_not_adjusted_has_no_best_case(where: str) -> None:
    with pytest.raises(UsageError) as caught:
        at_best(where, "R2", "c_*", METER)
    assert str(caught.value) == (
        "run R2 has no reading ccal.as_found with a budget. Choose a run that adjusted the unit."
    )
    with pytest.raises(UsageError, match=r"has no reading of a capacitance or inductance so named"):
        at_best(where, "R1", "rail_*", METER)
