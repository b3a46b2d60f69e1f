"""What a meter could do at best, and what its budget shows about the physics."""

import math
from dataclasses import replace

import pytest

from hil.core import lc
from hil.core.best_case import Unit, capacitance_error, inductance_error, tank_error
from hil.core.budget import Budget
from hil.core.equipment import MeterUncertainty

F1, F2 = 605e3, 367e3
METER = MeterUncertainty(
    noise=2e-6,
    noise_dof=50,
    drift_between_gates=2e-6,
    drift_since_zero=5e-6,
    timebase=20e-6,
    timebase_drift=2e-7,
    battery_step_v=0.0122,
)
UNIT = Unit(
    bare_hz=F1, with_ccal_hz=F2, ccal_f=1200e-12, u_ccal=2e-4, scale=1.016, u_scale=5e-4, meter=METER
)  # fmt: skip


def sensitivity(found: Budget, name: str) -> float:
    return next(row.sensitivity for row in found.rows if row.name == name)


@pytest.mark.parametrize("capacitance_f", [1e-12, 100e-12, 10e-9, 1e-6])
def test_a_timebase_error_cancels_from_capacitance(capacitance_f):
    found = capacitance_error(UNIT, capacitance_f)
    assert found.value == pytest.approx(0.0, abs=1e-9 * capacitance_f + 1e-24)
    assert sensitivity(found, "meter: timebase") == pytest.approx(0.0, abs=1e-9 * capacitance_f + 1e-21)
    assert sensitivity(found, "Ccal as stored") == pytest.approx(capacitance_f)


@pytest.mark.parametrize("inductance_h", [1e-6, 100e-6, 1e-3, 0.1])
def test_a_timebase_error_counts_twice_in_inductance(inductance_h):
    found = inductance_error(UNIT, inductance_h)
    assert sensitivity(found, "meter: timebase") == pytest.approx(-2 * inductance_h, rel=1e-6)
    assert sensitivity(found, "Ccal as stored") == pytest.approx(-inductance_h, rel=1e-6)
    assert sensitivity(found, "inductance scale as stored") == pytest.approx(inductance_h, rel=1e-6)


@pytest.mark.parametrize(("timebase", "factor"), [(50e-6, -2), (-20e-6, -2)])
def test_the_same_with_the_arithmetic_itself(timebase, factor):
    f3 = F1 / math.sqrt(1 + 1e-3 / UNIT.tank.inductance_h)
    f1, f2, f3 = ((1 + timebase) * f for f in (F1, F2, f3))
    wrong = lc.tank(f1, f2, 1200e-12)
    assert lc.inductance_h(wrong, f1, f3) == pytest.approx(1e-3 * (1 + factor * timebase), rel=1e-8)
    assert lc.capacitance_f(wrong, f1, f2) == pytest.approx(1200e-12, rel=1e-12)


def test_large_capacitances_are_limited_by_the_count():
    found = capacitance_error(UNIT, 1e-6)
    rows = {row.name: row.contribution for row in found.rows}
    assert 1e6 * rows["f3: one count"] == pytest.approx(126e-6 / math.sqrt(6), rel=0.05)
    assert found.effective_dof is None or found.effective_dof > 50


def test_a_ccal_by_definition_has_no_row():
    capacitance, _ = tank_error(Unit(bare_hz=F1, with_ccal_hz=F2, ccal_f=1200e-12, u_ccal=0.0, meter=METER))
    assert "Ccal as stored" not in {row.name for row in capacitance.rows}


def test_the_jig_adds_to_c1_what_it_has_and_nothing_to_l1():
    capacitance, inductance = tank_error(replace(UNIT, terminals_f=0.3e-12))
    name = "jig: capacitance at the terminals"
    assert sensitivity(capacitance, name) == pytest.approx(1.0, rel=1e-6)
    assert sensitivity(inductance, name) == pytest.approx(0.0, abs=0.1)  # H/F, of some 1e5


def test_the_derived_tank():
    capacitance, inductance = tank_error(UNIT)
    assert capacitance.value == pytest.approx(UNIT.tank.capacitance_f)
    assert sensitivity(capacitance, "meter: timebase") == pytest.approx(0.0, abs=1e-18)
    assert sensitivity(inductance, "meter: timebase") == pytest.approx(-2 * UNIT.tank.inductance_h, rel=1e-6)


def test_a_model_that_is_not_linear_enough_is_drawn():
    """Noise as large as what 1 pF does to the frequency: f1² − f3² has no business with a straight line then."""
    wild = Unit(bare_hz=F1, with_ccal_hz=F2, ccal_f=1200e-12, u_ccal=0.2, meter=replace(METER, noise=0.02))
    found = capacitance_error(wild, 100e-9, checked=True)
    assert found.method == "Monte Carlo"
    assert found.notes[-1].startswith("Monte Carlo used: ends of the intervals differ by")
    assert found.interval[1] > -found.interval[0] * 1.02  # it leans
    calm = capacitance_error(UNIT, 100e-9, checked=True)
    assert calm.method == "GUM"
    assert calm.interval == capacitance_error(UNIT, 100e-9).interval


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"u_ccal": -1e-4}, "u_ccal must be zero or more, not -0.0001"),
        ({"gate_s": 0.0}, "gate_s must be more than zero, not 0.0"),
        ({"with_ccal_hz": 700e3}, "Ccal must lower the frequency, but it went from 605000.0 Hz to 700000.0 Hz"),
    ],
)
def test_units_that_cannot_be(changes, message):
    given = {"bare_hz": F1, "with_ccal_hz": F2, "ccal_f": 1200e-12, "u_ccal": 2e-4, "meter": METER}
    with pytest.raises(ValueError, match=r"^") as caught:
        Unit(**{**given, **changes})
    assert str(caught.value) == message
