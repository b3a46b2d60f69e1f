"""One reading against its limit, one unit from its readings."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.judge import EXIT_CODES, STATEMENTS, Judgement, judge, judge_unit, steps_outside, worst_exit
from hil.core.limit import Limit, Rule, Tolerance, Zone
from hil.core.records import Reading, Statement, UnitVerdict, Verdict

RAIL = Limit(name="rail", unit="V", lower=4.9, upper=5.1)
GUARDED = Rule(kind="guard_band", r=1.0, binary=False)
ZONE = Zone(lower=4.95, upper=5.05)


def guarded(**changes):
    return Limit(name="rail", unit="V", lower=4.9, upper=5.1, rule=Rule(kind="guard_band", **changes))


@pytest.mark.parametrize(
    ("value", "verdict", "reason"),
    [
        (5.0, Verdict.PASS, ""),
        (4.9, Verdict.PASS, ""),
        (5.1, Verdict.PASS, ""),
        (5.2, Verdict.FAIL, "5.2000 V is above the upper limit 5.1000 V"),
        (4.8999999, Verdict.FAIL, "4.8999999 V is below the lower limit 4.9000000 V"),
        (math.nan, Verdict.FAIL, "reads not a number"),
        (math.inf, Verdict.FAIL, "reads infinite; infinite is above the upper limit 5.1000 V"),
    ],
)
def test_simple_acceptance(value, verdict, reason):
    judgement = judge(RAIL, value)
    assert (judgement.verdict, judgement.reason) == (verdict, reason)
    assert judgement.value == (value if math.isfinite(value) else None)
    assert judgement.zone == RAIL.zone


def test_open_circuit_passes_at_least():
    judgement = judge(Limit(name="r", unit="ohm", lower=1e3), math.inf)
    assert (judgement.verdict, judgement.value, judgement.reason) == (Verdict.PASS, None, "reads infinite")


def test_one_sided():
    assert judge(Limit(name="i", unit="A", upper=0.085), -1.0).verdict is Verdict.PASS
    assert judge(Limit(name="i", unit="A", upper=0.085), 0.0851).verdict is Verdict.FAIL


def test_what_could_not_be_taken_is_not_measured():
    assert judge(RAIL, None, reason="no voltmeter") == Judgement(
        value=None, verdict=Verdict.NOT_MEASURED, reason="no voltmeter"
    )
    assert judge(RAIL, None).reason == "not measured"


@pytest.mark.parametrize(
    ("expected", "value", "verdict", "reason"),
    [
        (True, True, Verdict.PASS, ""),
        (True, False, Verdict.FAIL, "is no, expected yes"),
        ("1.2", "1.2", Verdict.PASS, ""),
        ("1.2", "1.3", Verdict.FAIL, "is '1.3', expected '1.2'"),
    ],
)
def test_expected(expected, value, verdict, reason):
    judgement = judge(Limit(name="x", expected=expected), value)
    assert (judgement.verdict, judgement.reason, judgement.value) == (verdict, reason, value)


@pytest.mark.parametrize(("expected", "value"), [(True, "True"), ("1", True), ("1", 1.0), (True, 1.0)])
def test_expected_of_another_type_is_a_mistake_in_the_check(expected, value):
    with pytest.raises(TypeError, match="is expected, but the reading is"):
        judge(Limit(name="x", expected=expected), value)


@pytest.mark.parametrize("value", [True, "5.0"])
def test_a_number_is_needed_where_numbers_are_limited(value):
    with pytest.raises(TypeError, match="rail: a number is limited"):
        judge(RAIL, value)


def test_limit_around_a_part_of_unknown_value():
    limit = Limit(name="c", unit="F", part="c_100p", tolerance=Tolerance(relative=0.01))
    with pytest.raises(ValueError, match="the value of c_100p is not known yet"):
        judge(limit, 1e-10)


@pytest.mark.parametrize(
    ("value", "statement", "verdict", "accepted"),
    [
        (5.05, Statement.PASS, Verdict.PASS, Verdict.PASS),
        (5.06, Statement.CONDITIONAL_PASS, Verdict.UNDECIDED, Verdict.PASS),
        (5.14, Statement.CONDITIONAL_FAIL, Verdict.UNDECIDED, Verdict.FAIL),
        (5.16, Statement.FAIL, Verdict.FAIL, Verdict.FAIL),
        (4.94, Statement.CONDITIONAL_PASS, Verdict.UNDECIDED, Verdict.PASS),
        (4.86, Statement.CONDITIONAL_FAIL, Verdict.UNDECIDED, Verdict.FAIL),
        (4.84, Statement.FAIL, Verdict.FAIL, Verdict.FAIL),
    ],
)
def test_four_way_statement(value, statement, verdict, accepted):
    judgement = judge(guarded(binary=False), value, zone=ZONE)
    assert (judgement.statement, judgement.verdict) == (statement, verdict)
    assert judge(guarded(binary=False, accepts_conditional=True), value, zone=ZONE).verdict is accepted


@pytest.mark.parametrize("value", [5.06, 5.2, 4.94])
def test_binary_rule_fails_everything_outside_the_acceptance_zone(value):
    judgement = judge(guarded(), value, zone=ZONE)
    assert (judgement.verdict, judgement.statement) == (Verdict.FAIL, Statement.FAIL)


def test_reason_tells_the_guard_band():
    assert judge(guarded(), 5.06, zone=ZONE).reason == (
        "5.0600 V is above the upper acceptance limit 5.0500 V (limit 5.1000 V less the guard band)"
    )


def test_guard_band_without_an_uncertainty_decides_nothing():
    judgement = judge(guarded(), 5.0)
    assert judgement.verdict is Verdict.UNDECIDED
    assert judgement.reason == "the rule guard_band needs the uncertainty of the reading, and there is none"


def test_no_acceptance_zone_left_decides_nothing():
    judgement = judge(guarded(), 5.0, expanded_uncertainty=0.2, zone=Zone(lower=5.1, upper=4.9))
    assert judgement.verdict is Verdict.UNDECIDED
    assert judgement.reason == (
        "no acceptance zone is left between 4.9000 V and 5.1000 V with U = 200 mV: "
        "the guard bands are wider than the tolerance"
    )


SIDES = st.none() | st.floats(-10, 10)


@given(st.floats(-20, 20), SIDES, SIDES, st.floats(0, 3))
def test_steps_grow_outwards_and_are_the_same_for_arrays(value, lower, upper, guard):
    tolerance = Zone(lower=lower, upper=upper)
    acceptance = Zone(lower=None if lower is None else lower + guard, upper=None if upper is None else upper - guard)
    if tolerance.is_empty or acceptance.is_empty:
        return
    steps = steps_outside(value, tolerance, acceptance)
    assert (steps == 0) == (value in acceptance)
    assert (steps <= 1) == (value in tolerance)
    assert steps in range(len(STATEMENTS))
    assert steps_outside(np.array([value, math.nan]), tolerance, acceptance)[0] == steps


def test_not_a_number_is_outside_of_every_limit():
    for zone in (Zone(lower=1.0, upper=None), Zone(lower=None, upper=1.0), Zone(lower=0.0, upper=1.0)):
        assert steps_outside(np.array([math.nan]), zone, zone)[0] >= 3


def reading(name, verdict=Verdict.PASS):
    return Reading(name=name, value=1.0, unit="V", verdict=verdict, simulated=True, time="2026-11-25T00:00:00Z")


@pytest.mark.parametrize(
    ("planned", "readings", "only", "verdict", "reason"),
    [
        (("a", "b"), [reading("a"), reading("b")], "", UnitVerdict.PASS, ""),
        (("a", "b"), [reading("a"), reading("b", Verdict.FAIL)], "", UnitVerdict.FAIL, "failed: b"),
        (("a", "b"), [reading("a", Verdict.FAIL)], "a*", UnitVerdict.FAIL, "failed: a"),
        (("a", "b"), [reading("a")], "", UnitVerdict.INCOMPLETE, "not measured: b"),
        (("a", "b"), [reading("a"), reading("b", Verdict.NOT_MEASURED)], "", UnitVerdict.INCOMPLETE, "not measured: b"),
        (("a", "b"), [reading("a"), reading("b", Verdict.UNDECIDED)], "", UnitVerdict.INCOMPLETE, "undecided: b"),
        (("a",), [reading("a"), reading("a")], "", UnitVerdict.INCOMPLETE, "not measured: a"),
        (("a",), [reading("a")], "a*", UnitVerdict.INCOMPLETE, "only 'a*' was asked for"),
        ((), [], "", UnitVerdict.INCOMPLETE, "nothing was planned"),
        (tuple("abcdefgh"), [], "", UnitVerdict.INCOMPLETE, "not measured: a, b, c, d, e, f and 2 more"),
    ],
)
def test_unit_verdict(planned, readings, only, verdict, reason):
    assert judge_unit(planned, readings, only=only) == (verdict, reason)


@given(st.lists(st.sampled_from(list(Verdict)), max_size=6), st.integers(0, 3))
def test_nothing_but_everything_passed_is_pass(verdicts, unmeasured):
    planned = tuple(f"r{index}" for index in range(len(verdicts) + unmeasured))
    readings = [reading(f"r{index}", verdict) for index, verdict in enumerate(verdicts)]
    verdict, _ = judge_unit(planned, readings)
    everything_passed = bool(verdicts) and not unmeasured and set(verdicts) == {Verdict.PASS}
    assert (verdict is UnitVerdict.PASS) == everything_passed
    assert (verdict is UnitVerdict.FAIL) == (Verdict.FAIL in verdicts)


@pytest.mark.parametrize(
    ("codes", "worst"), [((), 0), ((0, 2, 1), 1), ((0, 2), 2), ((1, 3), 3), ((3, 4, 1), 4), ((0, 0), 0)]
)
def test_exit_code_of_several_units(codes, worst):
    assert worst_exit(codes) == worst


def test_exit_codes():
    assert EXIT_CODES == {UnitVerdict.PASS: 0, UnitVerdict.FAIL: 1, UnitVerdict.INCOMPLETE: 2}
