"""Proportions and sampling plans against published examples (part F of the register)."""

import csv
from pathlib import Path

import pytest
from statsmodels.stats.proportion import proportion_confint

from hil.core.sampling import SamplingPlan, SamplingTables, find_plan, next_severity, proportion

DATA = Path(__file__).parents[2] / "data"
NEWCOMBE = "Newcombe, Statistics in Medicine 17 (1998) 857, Table I"


@pytest.mark.published("F1 intervals for one proportion", source=NEWCOMBE, how="from memory")
@pytest.mark.parametrize(
    ("count", "total", "method", "lower", "upper"),
    [
        (81, 263, "exact", 0.2527, 0.3676),
        (81, 263, "wilson", 0.2553, 0.3662),
        (15, 148, "exact", 0.0578, 0.1617),
        (15, 148, "wilson", 0.0624, 0.1605),
        (0, 20, "exact", 0.0, 0.1684),
        (0, 20, "wilson", 0.0, 0.1611),
    ],
)
def test_newcombe(count: int, total: int, method: str, lower: float, upper: float) -> None:
    found = proportion(count, total, method=method)
    assert (found.lower, found.upper) == pytest.approx((lower, upper), abs=5e-5)


@pytest.mark.published("F3 intervals of R package binom", source="statsmodels tests (R binom.confint)", how="read")
@pytest.mark.parametrize(
    ("count", "total", "method", "lower", "upper"),
    [
        (4, 20, "exact", 0.0573340, 0.4366140),
        (4, 20, "wilson", 0.0806577, 0.4160174),
        (4, 200, "exact", 0.0054756, 0.0504136),
        (4, 200, "wilson", 0.0078044, 0.0502871),
        (4, 20, "agresti_coull", 0.0749115, 0.4217636),
    ],
)
def test_binom(count: int, total: int, method: str, lower: float, upper: float) -> None:
    found = proportion(count, total, method=method)
    assert (found.lower, found.upper) == pytest.approx((lower, upper), abs=6e-8)


@pytest.mark.published(
    "F3 exact 90 % interval of 4 in 20", source="NIST/SEMATECH e-Handbook 7.2.4.1", how="from memory"
)
def test_exact_90_percent() -> None:
    found = proportion(4, 20, confidence=0.9)
    assert (found.lower, found.upper) == pytest.approx((0.071354, 0.401029), abs=2e-6)


@pytest.mark.parametrize(("count", "total"), [(0, 7), (7, 7), (3, 7)])
def test_exact_interval_is_that_of_statsmodels(count: int, total: int) -> None:
    found = proportion(count, total)
    assert (found.lower, found.upper) == pytest.approx(proportion_confint(count, total, method="beta"))


def test_nothing_counted_says_nothing() -> None:
    found = proportion(0, 0)
    assert (found.lower, found.upper) == (0.0, 1.0)


@pytest.mark.published(
    "F5 OC, AOQ, ATI of (52, 3)",
    source="NIST/SEMATECH e-Handbook 6.2.3.2",
    how="read",
    differs="the page prints Pa at 0.04 and 0.05 one unit off in the third place, and AOQ .0010 for .0100 at 0.01",
)
def test_operating_characteristic() -> None:
    plan = SamplingPlan(n=52, accept=3)
    with (DATA / "nist_oc_52_3.csv").open() as file:
        for row in csv.DictReader(file):
            p = float(row["p"])
            assert plan.acceptance(p) == pytest.approx(float(row["pa_published"]), abs=0.00101)
            if p != 0.01:
                assert plan.average_outgoing(p) == pytest.approx(float(row["aoq_published"]), abs=2.5e-4)
            assert plan.average_inspected(p, 10_000) == pytest.approx(float(row["ati_published"]), abs=10)
    assert plan.average_inspected(0.03, 10_000) == pytest.approx(753, abs=1)
    assert plan.average_outgoing(0.06) == pytest.approx(0.0372, abs=1e-4)
    share, worst = plan.worst_outgoing(10_000)
    assert (share, worst) == pytest.approx((0.0559, 0.03719), abs=6e-5)


@pytest.mark.published("F7 plan design", source="Kiermeier, AcceptanceSampling vignette 2.5-2.6", how="read")
def test_plan_design() -> None:
    assert SamplingPlan(n=20, accept=0).acceptance(0.05) == pytest.approx(0.35848592, abs=5e-9)
    assert SamplingPlan(n=20, accept=0).acceptance(0.15) == pytest.approx(0.03875953, abs=5e-9)
    found = find_plan(0.05, 0.95, 0.15, 0.075)
    assert (found.n, found.accept, found.reject) == (80, 7, 8)


@pytest.fixture(scope="module")
def tables() -> SamplingTables:
    from hil.app.sampling_tables import load_sampling_tables

    return load_sampling_tables()


@pytest.mark.published(
    "F9 look-ups by acceptance quality limit", source="MIL-STD-105E single normal, level II", how="read"
)
def test_look_ups(tables: SamplingTables) -> None:
    assert (tables.letter(281), tables.letter(500)) == ("H", "H")
    assert (tables.letter(501), tables.letter(1200)) == ("J", "J")
    assert tables.plans["J", 0.65] == SamplingPlan(n=80, accept=1)
    assert tables.plans["J", 1.0] == SamplingPlan(n=80, accept=2)
    assert tables.plans["H", 0.65] == SamplingPlan(n=80, accept=1)  # arrow to J
    assert tables.plans["E", 1.0] == SamplingPlan(n=13, accept=0)


def test_a_small_lot_is_checked_whole(tables: SamplingTables) -> None:
    assert tables.plan(5, 0.65).n == 5
    with pytest.raises(ValueError, match="check the unit itself"):
        tables.letter(1)
    with pytest.raises(ValueError, match="is not in the table"):
        tables.plan(100, 0.7)


@pytest.mark.published("F9 switching rules", source="MIL-STD-105E / ISO 2859-1, second-hand", how="read")
def test_switching() -> None:
    assert next_severity("normal", (True, False, True, True, False)) == "tightened"
    assert next_severity("normal", (False, True, True, True, True, False)) == "normal"
    assert next_severity("tightened", (True,) * 5) == "normal"
    assert next_severity("tightened", (False,) * 5) == "stopped"
