"""The jig from four frequencies, and values against their history."""

import math
import random

import pytest

from hil.core.limit import Zone
from hil.core.readiness import common, jig_elements, zone_of_history


def thomson_hz(inductance_h: float, capacitance_f: float) -> float:
    return 1 / (2 * math.pi * math.sqrt(inductance_h * capacitance_f))


@pytest.mark.parametrize(("l1", "c1", "ccal_error"), [(100e-6, 680e-12, 0.0), (91e-6, 646e-12, 0.01)])
def test_the_jig_is_what_was_put_into_the_tank(l1: float, c1: float, ccal_error: float) -> None:
    jig_f, jig_h, ccal = 3.4e-12, 78e-9, 1200e-12
    opened = (thomson_hz(l1, c1 + jig_f), thomson_hz(l1, c1 + jig_f + ccal))
    shorted = (thomson_hz(l1 + jig_h, c1), thomson_hz(l1 + jig_h, c1 + ccal))
    found = jig_elements(opened, shorted, ccal * (1 + ccal_error))
    assert found.capacitance_f == pytest.approx(jig_f * (1 + ccal_error), rel=1e-6)
    assert found.inductance_h == pytest.approx(jig_h / (1 + ccal_error), rel=1e-6)


def test_one_count_moves_the_jig_by_less_than_its_limits_care_about() -> None:
    opened, shorted = (610_000.0, 367_000.0), (611_300.0, 367_200.0)
    found = jig_elements(opened, shorted, 1200e-12)
    moved = jig_elements((610_001.0, 367_000.0), shorted, 1200e-12)
    assert abs(moved.capacitance_f - found.capacitance_f) < 0.01e-12
    assert abs(moved.inductance_h - found.inductance_h) < 2e-9


def test_a_relay_that_does_not_add_ccal_is_told() -> None:
    with pytest.raises(ValueError, match="Ccal must lower the frequency"):
        jig_elements((610_000.0, 610_000.0), (611_000.0, 367_000.0), 1200e-12)


def test_few_values_are_no_history() -> None:
    assert zone_of_history([1.0, 2.0], least=0.1) is None


def test_prediction_interval_against_a_worked_value() -> None:
    # n = 5, s = 1: t(0.99865, 4) = 6.6201 (tables of Student's t), so half = 6.6201·sqrt(1.2) = 7.252.
    history = [-1.2649110640673518, -0.6324555320336759, 0.0, 0.6324555320336759, 1.2649110640673518]
    zone = zone_of_history(history, least=0.0)
    assert zone is not None
    assert zone.upper == pytest.approx(7.252, abs=2e-3)
    assert zone.lower == pytest.approx(-7.252, abs=2e-3)


def test_a_history_that_agrees_within_the_resolution_still_has_room() -> None:
    assert zone_of_history([5.0] * 9, least=0.25) == Zone(lower=4.75, upper=5.25)


def test_a_good_bench_is_refused_as_rarely_as_promised() -> None:
    dice = random.Random("readiness")
    refused = 0
    for _ in range(4000):
        history = [dice.gauss(0, 1) for _ in range(8)]
        zone = zone_of_history(history, least=0.0)
        assert zone is not None
        refused += dice.gauss(0, 1) not in zone
    assert refused / 4000 == pytest.approx(0.0027, abs=0.0025)


def test_common_zone() -> None:
    assert common(Zone(lower=0.0, upper=None), None) == Zone(lower=0.0, upper=None)
    assert common(Zone(lower=0.0, upper=None), Zone(lower=-1.0, upper=3.0)) == Zone(lower=0.0, upper=3.0)
