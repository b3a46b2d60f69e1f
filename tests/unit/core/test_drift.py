"""The life of a reference part."""

import math

import numpy as np
import pytest

from hil.core.budget import budget
from hil.core.drift import attribute_interval, binomial_limits, cross_check, drift_from, drift_of, years_between
from hil.core.equipment import OPEN, Certificate, Part

approx = pytest.approx


def certificate(date: str, picofarads: float, expanded: float = 0.05, dof: float | None = None) -> Certificate:
    return Certificate(value=1e-12 * picofarads, expanded_uncertainty=1e-12 * expanded, date=date, dof=dof)


THREE = (
    certificate("2023-02-10", 100.00),
    certificate("2024-02-10", 100.03),
    certificate("2025-02-10", 100.06),
)


@pytest.mark.published(
    "attribute method A3, assets 1 and 2 (formula from memory)", source="NCSLI RP-1, NCSL 2019 tutorial", how="read"
)
@pytest.mark.parametrize(
    ("in_tolerance", "days", "confidence", "limits"),
    [(15, 231, 0.9949, (0.6516, 0.8286)), (14, 205, 0.9993, (0.6000, 0.7843))],
)
def test_attribute_interval(in_tolerance, days, confidence, limits):
    found = attribute_interval(365, 0.95, 20, in_tolerance)
    assert found.days == approx(days, abs=0.5)
    assert found.rejection_confidence == approx(confidence, abs=5e-5)
    assert found.reliability_limits == approx(limits, abs=5e-5)


def test_a_good_record_makes_the_interval_longer():
    assert attribute_interval(365, 0.8, 40, 40).days > 500
    assert attribute_interval(365, 0.95, 3, 3).days == approx(365)  # three prove nothing yet
    assert attribute_interval(365, 0.95, 3, 0).days < 100


@pytest.mark.parametrize("arguments", [(365, 1.0, 20, 10), (365, 0.9, 20, 21), (365, 0.9, 0, 0), (0, 0.9, 20, 10)])
def test_intervals_that_cannot_be(arguments):
    with pytest.raises(ValueError, match=r"between 0 and 1|cannot be|more than zero"):
        attribute_interval(*arguments)


@pytest.mark.published(
    "Table I, exact limits of shares", source="Newcombe, Stat. Med. 17 (1998) 857", how="from memory"
)
@pytest.mark.parametrize(
    ("hits", "trials", "limits"), [(81, 263, (0.2527, 0.3676)), (15, 148, (0.0578, 0.1617)), (0, 20, (0.0, 0.1684))]
)
def test_binomial_limits(hits, trials, limits):
    assert binomial_limits(hits, trials, confidence=0.95) == approx(limits, abs=5e-5)


def test_value_today_follows_the_drift():
    found = drift_from(THREE)
    assert found.value_on("2026-02-10") == approx(100.09e-12, abs=1e-16)
    assert found.value_on("2025-02-10") == 100.06e-12
    assert found.uncertainty_on("2025-02-10") == approx(0.025e-12)
    assert years_between("2025-02-10", "2026-02-10") == approx(365 / 365.25)


def test_uncertainty_of_the_value_today_against_drawing_the_certificates():
    rng = np.random.default_rng(1)
    drawn = []
    for errors in rng.normal(0, 0.025, (4000, 3)):
        moved = tuple(
            certificate(entry.date, 1e12 * entry.value + error) for entry, error in zip(THREE, errors, strict=True)
        )
        drawn.append(drift_from(moved).value_on("2026-02-10"))
    found = drift_from(THREE)
    assert found.uncertainty_on("2026-02-10") == approx(float(np.std(drawn)), rel=0.04)
    # the same from the inputs that a budget gets
    inputs, correlation = found.inputs_on("2026-02-10", "F")
    together = budget(lambda value, moved: value + moved, inputs, correlation=correlation)
    assert together.standard_uncertainty == approx(found.uncertainty_on("2026-02-10"))
    assert together.value == approx(found.value_on("2026-02-10"))


def test_values_that_scatter_more_than_they_may_widen_the_rate():
    steady = drift_from(THREE)
    scattered = drift_from((THREE[0], certificate("2024-02-10", 100.20), THREE[2]))
    assert scattered.u_rate > 3 * steady.u_rate
    assert abs(scattered.correlation) < abs(steady.correlation)
    assert not scattered.is_significant


def test_a_significant_drift_is_called_so():
    years = [certificate(f"{2020 + i}-02-10", 100 + 0.2 * i) for i in range(5)]
    found = drift_from(years)
    assert found.is_significant
    assert 1e12 * found.rate == approx(0.2, rel=1e-3)


def test_one_certificate_gives_no_rate_but_a_doubt():
    found = drift_from(THREE[-1:])
    assert (found.rate, found.certificates) == (0.0, 1)
    assert found.uncertainty_on("2026-02-10") == approx(math.hypot(0.025, 0.025 * 365 / 365.25) * 1e-12)
    assert found.inputs_on("2025-02-10")[0] == found.inputs_on("2024-01-01")[0]  # before and on the day: no drift


def test_when_a_part_should_go_back():
    found = drift_from(THREE)
    day = found.day_when(0.08e-12)
    assert day is not None
    assert found.uncertainty_on(day) <= 0.04e-12 < found.uncertainty_on("2026-12-31")
    assert drift_from(THREE[-1:]).day_when(1e-9) is None
    with pytest.raises(ValueError, match=r"the certificate alone is less certain than that; a better calibration"):
        found.day_when(0.04e-12)


def test_degrees_of_freedom_of_the_certificate_reach_the_budget():
    found = drift_from((*THREE[:2], certificate("2025-02-10", 100.06, dof=9)))
    (first, _), correlation = found.inputs_on("2025-08-10", "F")
    assert first.dof == 9
    assert correlation == {}  # an estimate with few degrees of freedom cannot be tied to one with infinitely many


def test_what_does_not_drift():
    with pytest.raises(ValueError, match=r"open has no certificate and does not drift"):
        drift_of(OPEN)
    with pytest.raises(ValueError, match=r"a drift needs at least one certificate"):
        drift_from(())
    with pytest.raises(ValueError, match=r"two certificates have the same date; keep the later one"):
        drift_from((THREE[0], THREE[0]))


def test_drift_of_a_part_uses_its_history():
    part = Part(name="c_100p", kind="capacitor", present=THREE[-1], history=THREE[:2])
    assert drift_of(part) == drift_from(THREE)


def test_cross_check_finds_the_part_that_moved():
    rng = np.random.default_rng(2)
    scale = 0.004  # the meter reads all of them high: its Ccal is off, no part is
    errors = {f"c_{i}": (scale + rng.normal(0, 2e-4), 3e-4) for i in range(6)}
    assert not any(entry.has_moved for entry in cross_check(errors))
    value, u = errors["c_3"]
    moved = cross_check({**errors, "c_3": (value + 0.003, u)})
    assert [entry.part for entry in moved if entry.has_moved] == ["c_3"]
    by_name = {entry.part: entry for entry in moved}
    assert by_name["c_3"].deviation == approx(0.003, abs=by_name["c_3"].expanded_uncertainty)
    assert abs(by_name["c_3"].score) > 1
    assert all(abs(entry.score) <= 1 for name, entry in by_name.items() if name != "c_3")


def test_cross_check_does_not_blame_one_of_two():
    with pytest.raises(ValueError, match=r"needs at least three parts, not 2: with two, which one moved\?"):
        cross_check({"a": (0.0, 1e-4), "b": (0.1, 1e-4)})
    with pytest.raises(ValueError, match=r"every error of indication needs an uncertainty of more than zero"):
        cross_check({"a": (0.0, 1e-4), "b": (0.1, 1e-4), "c": (0.1, 0.0)})
