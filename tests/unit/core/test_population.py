"""Risks of a list of limits: what is predicted is what is counted, by the judge that judges units."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.core.budget import Budget, budget
from hil.core.inputs import normal, rectangular
from hil.core.judge import judge
from hil.core.limit import Limit, Rule
from hil.core.population import Check, compare, predict, predict_unit, simulate
from hil.core.records import Verdict
from hil.core.risk import Process, global_risk

UNITS = 200_000
GUARD = Rule(kind="guard_band", r=1.0)


def made(u_a: float, u_b: float, n: int = 1) -> Budget:
    found = budget(
        lambda a, b: a + b, [normal("noise", 0.0, u_a, kind="A"), rectangular("accuracy", 0.0, u_b * math.sqrt(3))]
    )
    return found.averaged(n)


def check(name: str, *, rule: Rule = Rule(), u_a: float = 0.04, u_b: float = 0.1, **more) -> Check:  # noqa: B008
    limit = Limit(name=name, lower=more.pop("lower", -1.0), upper=more.pop("upper", 1.0), rule=rule)
    return Check(
        limit=limit,
        process=more.pop("process", Process(mean=0.05, sd=0.5)),
        budget=made(u_a, u_b),
        averaged=made(u_a, u_b, rule.repeats) if rule.repeats > 1 else None,
        **more,
    )


CHECKS = (
    check("simple"),
    check("guarded", rule=GUARD),
    check("lower_only", rule=GUARD, upper=None),
    check("upper_only", rule=Rule(kind="specific_risk", max_risk=0.05), lower=None),
    check("global", rule=Rule(kind="global_risk", max_risk=0.005, process_mean=0.05, process_sd=0.5)),
    check("undecided", rule=Rule(kind="guard_band", binary=False)),
    check("conditional", rule=Rule(kind="guard_band", binary=False, accepts_conditional=True)),
    check("repeated", rule=Rule(kind="guard_band", binary=False, repeats=4), u_a=0.12, u_b=0.05),
    check("ccal_1", rule=GUARD, shared_process={"Ccal": 0.3}, shared_errors={"reference": 0.08, "meter": 0.05}),
    check("ccal_2", rule=GUARD, shared_process={"Ccal": 0.4}, shared_errors={"reference": 0.08}),
    check("ccal_3", shared_process={"Ccal": -0.4}, shared_errors={"reference": -0.08}),
    check("repeated_shared", rule=Rule(kind="guard_band", binary=False, repeats=3), u_a=0.1,
          shared_process={"Ccal": 0.3}, shared_errors={"meter": 0.06}),
)  # fmt: skip


def both_ways(predicted, counted):
    names = [entry.limit.name for entry in predicted]
    each, unit = simulate(counted, UNITS, seed=11)
    risks = {**{entry.limit.name: predict(entry) for entry in predicted}, "unit": predict_unit(predicted)}
    return compare(risks, {**dict(zip(names, each, strict=True)), "unit": unit})


def test_prediction_and_count_agree():
    found = both_ways(CHECKS, CHECKS)
    assert len(found) == 2 * (len(CHECKS) + 1)
    assert [entry for entry in found if not entry.agrees] == []
    # not because nothing happens
    assert sum(entry.counted > 100 for entry in found) > len(found) / 2


class Believing(Check):
    """Readings scatter as they do, but the judge is told half of U."""

    @property
    def zones(self):
        return halved(self, Check).zones


def halved(entry, kind):
    n, staged = entry.limit.rule.repeats, entry.limit.name == "repeated"
    u_a, u_b = (0.12, 0.05) if staged else (0.04, 0.1)
    return kind(
        limit=entry.limit,
        process=entry.process,
        budget=made(u_a / 2, u_b / 2),
        averaged=made(u_a / 2, u_b / 2, n) if n > 1 else None,
        shared_process=entry.shared_process,
        shared_errors={key: value / 2 for key, value in entry.shared_errors.items()},
    )


@pytest.mark.parametrize("name", ["simple", "guarded", "undecided", "ccal_1", "repeated"])
def test_half_the_uncertainty_in_one_limit_is_noticed(name):
    predicted = [halved(entry, Check) if entry.limit.name == name else entry for entry in CHECKS]
    counted = [
        Believing(**{key: getattr(entry, key) for key in entry.__dataclass_fields__})
        if entry.limit.name == name
        else entry
        for entry in CHECKS
    ]
    found = both_ways(predicted, counted)
    assert {entry.name for entry in found if not entry.agrees} - {"unit"} == {name}


def test_one_check_alone_is_the_closed_form():
    for entry in CHECKS[:3]:
        known = global_risk(entry.process, entry.u, entry.limit.zone, entry.zones[0])
        found = predict(entry)
        assert found.false_acceptance == pytest.approx(known.false_acceptance, rel=1e-9)
        assert found.false_rejection == pytest.approx(known.false_rejection, rel=1e-9)


def test_the_unit_is_the_product_when_nothing_is_shared():
    parts = [predict(entry) for entry in CHECKS[:2]]
    unit = predict_unit(CHECKS[:2])
    assert unit.accepted == pytest.approx(parts[0].accepted * parts[1].accepted)
    assert unit.conforming == pytest.approx(parts[0].conforming * parts[1].conforming)


def test_what_is_shared_makes_checks_fail_together():
    alike = [check(f"c_{i}", shared_process={"Ccal": 0.49}) for i in range(6)]
    apart = [check(f"c_{i}") for i in range(6)]
    assert predict_unit(alike).accepted > predict_unit(apart).accepted + 0.1


def test_a_repeat_stage_decides_more_and_risks_no_more():
    rule = Rule(kind="guard_band", binary=False)
    single = predict(check("c", rule=rule, u_a=0.12, u_b=0.03))
    staged = predict(check("c", rule=replace(rule, repeats=9), u_a=0.12, u_b=0.03))
    assert staged.undecided < 0.7 * single.undecided
    assert staged.accepted > single.accepted
    assert staged.false_acceptance < 0.002


@pytest.mark.parametrize("entry", CHECKS, ids=lambda entry: entry.limit.name)
def test_the_zones_are_those_of_the_judge(entry):
    """Each reading of a small population gets from the judge of `hil check` what the population gives it."""
    uncertainty, k = entry.budget.expanded_uncertainty, entry.budget.coverage_factor
    for value in np.linspace(-1.8, 1.8, 73):
        verdict = judge(entry.limit, float(value), expanded_uncertainty=uncertainty, coverage_factor=k).verdict
        assert (value in _zone(entry.passing(0))) is (verdict is Verdict.PASS)
        assert (value in _zone(entry.not_failing(0))) is (verdict is not Verdict.FAIL)


def _zone(zone):
    class Inside:
        def __contains__(self, value):
            return float(value) in zone

    return Inside()


def test_exact_readings_make_no_mistakes():
    exact = Check(limit=Limit(name="exact", lower=-1.0, upper=1.0), process=Process(mean=0.0, sd=0.5))
    risk = predict(exact)
    assert (risk.false_acceptance, risk.false_rejection) == (0.0, 0.0)
    assert predict_unit([exact, CHECKS[0]]).false_acceptance == pytest.approx(
        risk.conforming * predict(CHECKS[0]).false_acceptance
    )
    nothing_own = check("shared", shared_errors={"reference": 0.1}, u_a=1e-9)
    assert predict_unit([nothing_own]).false_acceptance == pytest.approx(
        predict(nothing_own).false_acceptance, rel=0.01
    )
    (counted,), unit = simulate([exact], 10_000)
    assert counted.false_acceptance == counted.false_rejection == 0
    assert unit == counted


def test_no_acceptance_zone_accepts_nothing():
    hopeless = check("hopeless", rule=Rule(kind="guard_band", r=9.0))
    assert (predict(hopeless).accepted, predict(hopeless).rejected) == (0, 0)
    (counted,), _ = simulate([hopeless], 1000)
    assert (counted.accepted, counted.rejected) == (0, 0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: check("c", shared_process={"Ccal": 0.6}),
            "c: the shared process are 0.6 , more than the 0.5  that they are part of",
        ),
        (lambda: predict_unit([]), "a unit without checks has no risk"),
        (lambda: simulate([], 10), "a population needs at least one unit and one check"),
    ],
)
def test_what_cannot_be(make, message):
    with pytest.raises(ValueError, match=r"^") as caught:
        make()
    assert str(caught.value) == message
