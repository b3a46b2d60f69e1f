"""Acceptance zones: each rule, and what the judge makes of them."""

import math

import pytest

from hil.core.guard import acceptance_zone, guard_band, uncertainty_ratio
from hil.core.judge import steps_outside
from hil.core.limit import Rule, Zone
from hil.core.risk import Process, global_risk, specific_risk

approx = pytest.approx


def test_simple_acceptance_has_no_guard_band():
    assert acceptance_zone(-1.0, 1.0, 0.4, Rule()) == Zone(lower=-1.0, upper=1.0)


@pytest.mark.parametrize("r", [3.0, 1.5, 1.0, 0.83, 0.0])
def test_guard_band_is_r_times_u(r):
    zone = acceptance_zone(-10.0, None, 0.4, Rule(kind="guard_band", r=r))
    assert zone == Zone(lower=-10.0 + r * 0.4, upper=None)


@pytest.mark.published("Table 1, guard bands and the risk they leave", source="ILAC-G8:09/2019", how="read")
@pytest.mark.parametrize(("r", "most"), [(3.0, 1e-6), (1.5, 0.0016), (1.0, 0.025), (0.83, 0.05), (0.0, 0.5)])
def test_risk_left_at_the_edge(r, most):
    zone = acceptance_zone(None, 5.0, 0.4, Rule(kind="guard_band", r=r))
    assert specific_risk(zone.upper, 0.2, Zone(lower=None, upper=5.0)) <= most


@pytest.mark.published("4.2.3 non-binary statement", source="ILAC-G8:09/2019", how="from memory")
def test_four_way_statement_splits_at_the_limit_and_one_u_beside_it():
    zone = acceptance_zone(None, 10.0, 1.0, Rule(kind="guard_band", binary=False))
    tolerance = Zone(lower=None, upper=10.0)
    values = [8.99, 9.0, 9.01, 10.0, 10.01, 11.0, 11.01]
    assert [steps_outside(value, tolerance, zone) for value in values] == [0, 0, 1, 1, 2, 2, 3]


@pytest.mark.parametrize(("lower", "upper"), [(None, 10.0), (9.0, None), (9.0, 10.0), (9.5, 10.0)])
def test_specific_risk_is_met_at_the_edge(lower, upper):
    zone = acceptance_zone(lower, upper, 0.4, Rule(kind="specific_risk", max_risk=0.05), coverage_factor=2.0)
    tolerance = Zone(lower=lower, upper=upper)
    for edge in (zone.lower, zone.upper):
        if edge is not None and not zone.is_empty:
            assert specific_risk(edge, 0.2, tolerance) == approx(0.05, abs=1e-6)


def test_the_coverage_factor_matters_to_the_risk_rules():
    rule = Rule(kind="specific_risk", max_risk=0.05)
    assert guard_band(None, 10.0, 0.4, rule, coverage_factor=2.0) == approx(1.6449 * 0.2, rel=1e-4)
    assert guard_band(None, 10.0, 0.4, rule, coverage_factor=4.0) == approx(1.6449 * 0.1, rel=1e-4)


@pytest.mark.published("section 6, guard band for a false acceptance of 0.5 %", source="suncal API manual", how="read")
def test_global_risk_rule():
    rule = Rule(kind="global_risk", max_risk=0.005, process_mean=9.5, process_sd=0.3)
    assert guard_band(9.0, 10.0, 0.2, rule) == approx(0.0920660, abs=5e-7)


def test_conditional_global_risk_needs_a_wider_guard_band():
    joint = Rule(kind="global_risk", max_risk=0.005, process_mean=9.5, process_sd=0.3)
    conditional = Rule(kind="global_risk", max_risk=0.005, process_mean=9.5, process_sd=0.3, risk="conditional")
    zone = acceptance_zone(9.0, 10.0, 0.2, conditional)
    assert guard_band(9.0, 10.0, 0.2, conditional) > guard_band(9.0, 10.0, 0.2, joint)
    risk = global_risk(Process(mean=9.5, sd=0.3), 0.1, Zone(lower=9.0, upper=10.0), zone)
    assert risk.bad_among_accepted == approx(0.005, abs=1e-6)


def test_the_process_is_centred_when_nothing_else_is_said():
    centred = Rule(kind="global_risk", max_risk=0.005, process_sd=0.3)
    assert guard_band(9.0, 10.0, 0.2, centred) == approx(0.0920660, abs=5e-7)
    with pytest.raises(ValueError, match=r"the rule global_risk needs process_mean beside a one-sided limit"):
        guard_band(9.0, None, 0.2, centred)


def test_no_acceptance_zone_is_left():
    assert acceptance_zone(9.0, 10.0, 0.6, Rule(kind="guard_band")).is_empty
    hopeless = acceptance_zone(9.0, 10.0, 2.0, Rule(kind="specific_risk", max_risk=0.01))
    assert hopeless.is_empty
    assert hopeless.lower == math.inf


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 1.0, 0.0, Rule(kind="guard_band")), "the expanded uncertainty must be more than zero, not 0.0"),
        ((0.0, 1.0, -0.1, Rule(kind="guard_band")), "the expanded uncertainty must be more than zero, not -0.1"),
        ((0.0, 1.0, math.nan, Rule(kind="guard_band")), "the expanded uncertainty must be more than zero, not nan"),
    ],
)
def test_a_rule_needs_an_uncertainty(arguments, message):
    with pytest.raises(ValueError, match=r"^") as caught:
        acceptance_zone(*arguments)
    assert str(caught.value) == message


def test_uncertainty_ratio():
    assert uncertainty_ratio(9.0, 10.0, 0.125) == 4
    assert uncertainty_ratio(9.0, None, 0.125) is None
    with pytest.raises(ValueError, match=r"must be more than zero, not 0\.0"):
        uncertainty_ratio(9.0, 10.0, 0.0)
