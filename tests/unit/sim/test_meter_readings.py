"""The firmware's arithmetic, against the tank that made the counts."""

import math

import pytest

from hil.sim.meter_constants import Constants
from hil.sim.meter_readings import CAPACITANCE, INDUCTANCE, Readings

L1_H, C1_F, CCAL_F = 101.3e-6, 693e-12, 1.2e-9


def count(l_h: float, c_f: float) -> int:
    return round(1 / (2 * math.pi * math.sqrt(l_h * c_f)))


@pytest.fixture
def readings() -> Readings:
    readings = Readings(Constants())
    assert readings.calibrate(count(L1_H, C1_F), count(L1_H, C1_F + CCAL_F))
    return readings


def test_the_tank(readings: Readings) -> None:
    c1_f, l1_h = readings.tank()
    assert float(c1_f) == pytest.approx(C1_F, rel=2e-5)
    assert float(l1_h) == pytest.approx(L1_H, rel=2e-5)


@pytest.mark.parametrize("value_f", [1e-12, 1e-10, 1e-8, 1e-6])
def test_capacitance(readings: Readings, value_f: float) -> None:
    value = readings.value(CAPACITANCE, count(L1_H, C1_F + value_f))
    assert float(value) == pytest.approx(value_f, rel=2e-4, abs=0.003e-12)


@pytest.mark.parametrize("value_h", [1e-6, 1e-4, 1e-2, 1e-1])
def test_inductance(readings: Readings, value_h: float) -> None:
    value = readings.value(INDUCTANCE, count(L1_H + value_h, C1_F))
    assert float(value) == pytest.approx(value_h, rel=2e-4, abs=0.5e-9)


def test_a_wrong_timebase_cancels_from_capacitance_and_enters_inductance_twice(readings: Readings) -> None:
    wrong = Readings(Constants())
    slow = 1 - 500e-6
    wrong.calibrate(round(count(L1_H, C1_F) * slow), round(count(L1_H, C1_F + CCAL_F) * slow))
    c_count, l_count = count(L1_H, C1_F + 1e-9), count(L1_H + 1e-3, C1_F)
    c_ratio = wrong.value(CAPACITANCE, round(c_count * slow)) / readings.value(CAPACITANCE, c_count)
    l_ratio = wrong.value(INDUCTANCE, round(l_count * slow)) / readings.value(INDUCTANCE, l_count)
    assert float(c_ratio) == pytest.approx(1.0, abs=3e-5)
    assert float(l_ratio) == pytest.approx(1 + 2 * 500e-6, abs=4e-5)


def test_ccal_scales_capacitance_and_the_opposite_way_inductance(readings: Readings) -> None:
    c_count, l_count = count(L1_H, C1_F + 1e-9), count(L1_H + 1e-3, C1_F)
    before = float(readings.value(CAPACITANCE, c_count)), float(readings.value(INDUCTANCE, l_count))
    readings.constants.ccal_f *= 1.01
    after = float(readings.value(CAPACITANCE, c_count)), float(readings.value(INDUCTANCE, l_count))
    assert after[0] / before[0] == pytest.approx(1.01, rel=1e-5)
    assert after[1] / before[1] == pytest.approx(1 / 1.01, rel=1e-5)


def test_zero_and_scale(readings: Readings) -> None:
    found = readings.take_zero(CAPACITANCE, count(L1_H, C1_F + 3e-12))
    assert float(found) == pytest.approx(3e-12, abs=0.003e-12)
    assert float(readings.value(CAPACITANCE, count(L1_H, C1_F + 13e-12))) == pytest.approx(10e-12, abs=0.005e-12)
    assert float(readings.value(INDUCTANCE, count(L1_H, C1_F))) == 0.0  # each function has a zero of its own
    plain = readings.value(INDUCTANCE, count(L1_H + 1e-3, C1_F))
    readings.constants.scale *= 1.05
    assert float(readings.value(INDUCTANCE, count(L1_H + 1e-3, C1_F)) / plain) == pytest.approx(1.05, rel=1e-5)


@pytest.mark.parametrize(("bare", "with_ccal"), [(0, 0), (600_000, 999), (600_000, 600_000), (366_000, 600_000)])
def test_a_calibration_that_cannot_be_right(readings: Readings, bare: int, with_ccal: int) -> None:
    assert not readings.calibrate(bare, with_ccal)
    assert all(math.isnan(value) for value in readings.tank())
    assert math.isnan(readings.value(CAPACITANCE, 600_000))


def test_silence_is_no_number(readings: Readings) -> None:
    assert math.isnan(readings.value(CAPACITANCE, 999))
    assert math.isnan(readings.take_zero(INDUCTANCE, 0))
    assert INDUCTANCE not in readings.zeros
