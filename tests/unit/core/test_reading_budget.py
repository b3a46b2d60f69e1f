"""Budgets of judged readings: named rows, figures that can be walked back by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.core.equipment import Accuracy, Certificate, JigUncertainty, MeterUncertainty, Part
from hil.core.reading_budget import (
    Circumstances,
    comparison_budget,
    count_budget,
    difference_budget,
    error_budget,
    one_count,
    quantity_budget,
    ratio_budget,
    spread_budget,
)

PART = Part(
    name="c_100p",
    kind="capacitor",
    present=Certificate(value=100e-12, expanded_uncertainty=0.06e-12, certificate="K-1", date="2026-11-25"),
    temperature_coefficient_per_k=30e-6,
)
VOLTMETER = Accuracy(relative=1.5e-4, absolute=5e-4)
HERE = Circumstances(
    today="2026-11-25",
    accuracies={("voltmeter", "voltage"): VOLTMETER},
    jig=JigUncertainty(
        zero_f=0.02e-12,
        zero_h=5e-9,
        contact_f=0.01e-12,
        contact_h=3e-9,
        terminals_f=0.3e-12,
        loss_at_1uf=1.2e-3,
        leads_ohm=0.3,
        temperature_k=2.0,
    ),
    meter=MeterUncertainty(
        noise=2e-6,
        noise_dof=50,
        drift_between_gates=2e-6,
        drift_since_zero=5e-6,
        timebase=20e-6,
        timebase_drift=2e-7,
        battery_step_v=0.0122,
    ),
    temperature_half_width_k=2.0,
)
NOWHERE = replace(HERE, accuracies={})


def test_rows_of_an_error_of_indication() -> None:
    found = error_budget(100.1e-12, PART, "F", HERE, repeats=(100.0e-12, 100.2e-12, 100.1e-12))
    assert found is not None
    rows = {row.name: row for row in found.rows}
    assert list(rows) == [
        "part: certificate",
        "part: temperature",
        "jig: residual zero",
        "jig: contact repeatability",
        "jig: series resistance",
        "meter: resolution",
        "meter: drift since zero",
        "meter: repeatability",
    ]
    assert rows["part: certificate"].contribution == pytest.approx(0.03e-12)
    assert rows["part: temperature"].contribution == pytest.approx(100e-12 * 30e-6 * 2 / math.sqrt(3))
    assert rows["meter: repeatability"].contribution == pytest.approx(0.1e-12 / math.sqrt(3))
    assert (rows["meter: repeatability"].kind, rows["meter: repeatability"].dof) == ("A", 2)
    by_hand = math.sqrt(math.fsum(row.contribution**2 for row in found.rows))
    assert found.standard_uncertainty == pytest.approx(by_hand)


@pytest.mark.published("count resolution", source="design of the meter, ±1 count in 1 s", how="read")
@pytest.mark.parametrize(("value", "relative"), [(1e-6, 126e-6)])
def test_one_count_at_a_microfarad(value: float, relative: float) -> None:
    assert one_count(value, "F") / value == pytest.approx(relative, rel=0.03)


def test_one_count_of_a_picofarad_and_a_henry() -> None:
    assert one_count(1e-12, "F") == pytest.approx(0.002e-12, rel=0.2)
    assert one_count(1e-6, "H") == pytest.approx(0.33e-9, rel=0.03)
    assert one_count(0.1, "H") / 0.1 == pytest.approx(104e-6, rel=0.03)


def test_a_voltage_rests_on_its_voltmeter() -> None:
    found = quantity_budget(5.0, "V", ("supply", "voltmeter"), HERE)
    assert found is not None
    assert found.standard_uncertainty == pytest.approx((5 * 1.5e-4 + 5e-4) / math.sqrt(3))
    assert quantity_budget(5.0, "V", ("operator",), HERE) is None


def test_an_inductor_knows_of_the_jig_across_it() -> None:
    coil = Part(
        name="l_1m",
        kind="inductor",
        present=Certificate(value=1e-3, expanded_uncertainty=1e-6, certificate="K-2", date="2026-11-25"),
        frequency_hz=150e3,
        self_resonance_hz=2e6,
    )
    found = error_budget(1.001e-3, coil, "H", HERE)
    assert found is not None
    rows = {row.name: row.contribution for row in found.rows}
    assert rows["jig: capacitance across the inductor"] == pytest.approx(
        0.0013 * 0.3 * 1.001e-3 / math.sqrt(3), rel=1e-3
    )
    read_hz = 1 / (2 * math.pi * math.sqrt(680e-12 * 100e-6)) / math.sqrt(1 + 1.001e-3 / 100e-6)
    correction = 1e-3 * (read_hz**2 - 150e3**2) / 2e6**2
    assert rows["part: frequency"] == pytest.approx(2 * 0.05 * correction / math.sqrt(3))


def test_a_coil_certified_where_it_is_read_needs_no_correction() -> None:
    read_hz = 1 / (2 * math.pi * math.sqrt(680e-12 * 100e-6)) / math.sqrt(1 + 1e-3 / 100e-6)
    present = Certificate(value=1e-3, expanded_uncertainty=1e-6, certificate="K-2", date="2026-11-25")
    coil = Part(name="l_1m", kind="inductor", present=present, frequency_hz=read_hz, self_resonance_hz=2e6)
    found = error_budget(1e-3, coil, "H", HERE)
    assert found is not None
    assert "part: frequency" not in {row.name for row in found.rows}


@pytest.mark.parametrize(("capacitance_f", "relative"), [(1e-6, 1.2e-3), (100e-9, 1.2e-5), (1e-12, 1.2e-15)])
def test_the_resistance_of_the_jig_matters_at_large_capacitances(capacitance_f: float, relative: float) -> None:
    present = Certificate(value=capacitance_f, expanded_uncertainty=1e-3 * capacitance_f, date="2026-11-25")
    found = error_budget(capacitance_f, Part(name="c", kind="capacitor", present=present), "F", HERE)
    assert found is not None
    rows = {row.name: row.contribution for row in found.rows}
    assert rows["jig: series resistance"] / capacitance_f == pytest.approx(relative / math.sqrt(3))


def test_the_measurand_is_the_error() -> None:
    found = error_budget(100.1e-12, PART, "F", HERE)
    assert found is not None
    assert found.value == pytest.approx(0.1e-12)
    rows = {row.name: row.sensitivity for row in found.rows}
    assert (rows["part: certificate"], rows["meter: resolution"]) == pytest.approx((-1.0, 1.0))
    relative = error_budget(100.1e-12, PART, "F", HERE, relative=True)
    assert relative is not None
    assert (relative.value, relative.unit) == (pytest.approx(1e-3), "")
    assert relative.expanded_uncertainty == pytest.approx(found.expanded_uncertainty / 100e-12)


def test_one_reading_has_the_repeatability_that_is_known() -> None:
    once, four = (error_budget(100.1e-12, PART, "F", HERE, repeats=(100.1e-12,) * n) for n in (1, 4))
    assert once is not None
    assert four is not None
    assert once.type_a_uncertainty == pytest.approx(2 * 780.1e-12 * 2e-6)
    assert four.type_a_uncertainty == pytest.approx(once.type_a_uncertainty / 2)


def test_the_empty_jig_has_no_reference() -> None:
    found = error_budget(1e-15, Part(name="open", kind="open"), "F", HERE)
    assert found is not None
    assert not any(row.name.startswith("part") for row in found.rows)
    assert "jig: residual zero" not in {row.name for row in found.rows}  # it is what is measured
    assert error_budget(1.0, PART, "V", HERE) is None


def test_a_supply_that_is_only_set_does_not_measure() -> None:
    both = replace(
        HERE,
        accuracies={("voltmeter", "voltage"): Accuracy(absolute=1e-3), ("supply", "voltage"): Accuracy(absolute=5e-3)},
    )
    found = quantity_budget(5.0, "V", ("supply", "voltmeter"), both)
    assert found is not None
    assert [row.name for row in found.rows] == ["voltmeter: accuracy"]
    alone = quantity_budget(5.0, "V", ("supply",), both, resolution=0.012)
    assert alone is not None
    assert [row.name for row in alone.rows] == ["supply: accuracy", "meter: resolution"]
    drop = difference_budget(0.1, "V", {"supply": 7.4, "voltmeter": 7.3}, both)
    assert drop.standard_uncertainty == pytest.approx(math.hypot(5e-3, 1e-3) / math.sqrt(3))


def test_a_ratio_has_two_errors() -> None:
    found = ratio_budget(0.4, 5.0, HERE)
    assert found is not None
    part, whole = (2.0 * 1.5e-4 + 5e-4) / 5, 0.4 * (5 * 1.5e-4 + 5e-4) / 5
    assert found.standard_uncertainty == pytest.approx(math.hypot(part, whole) / math.sqrt(3))
    assert ratio_budget(0.4, 5.0, NOWHERE) is None


def test_what_two_readings_share_cancels_from_their_ratio() -> None:
    own = Accuracy(relative=1e-5, absolute=1.5e-4)
    short = replace(HERE, short_term={("voltmeter", "voltage"): own})
    found = ratio_budget(0.4, 5.0, short)
    assert found is not None
    rows = {row.name: row.contribution * math.sqrt(3) for row in found.rows}
    assert rows["voltmeter: common offset"] == pytest.approx(VOLTMETER.absolute * 0.6 / 5)
    assert rows["voltmeter, part: short-term"] == pytest.approx(own.half_width(2.0) / 5)
    assert rows["voltmeter, whole: short-term"] == pytest.approx(0.4 * own.half_width(5.0) / 5)
    equal = ratio_budget(1.0, 5.0, short)
    assert equal is not None
    assert "voltmeter: common offset" not in {row.name for row in equal.rows}


def test_readings_in_one_fitting_share_part_and_jig() -> None:
    found = error_budget(100.1e-12, PART, "F", HERE, relative=True, is_reference=False)
    assert found is not None
    assert found.value == pytest.approx(1e-3)
    assert [row.name for row in found.rows] == ["meter: resolution", "meter: drift since zero", "meter: repeatability"]


def test_frequencies() -> None:
    count = count_budget(600e3, HERE)
    timebase = next(row for row in count.rows if row.name == "meter: timebase")
    assert timebase.contribution == pytest.approx(12.0 / math.sqrt(3))
    assert count_budget(0.0, HERE).standard_uncertainty == pytest.approx(1 / math.sqrt(6))
    assert comparison_budget(0.0, 4e6, HERE, against="generator") is None
    change = comparison_budget(0.0, 600e3, HERE, counts=2)
    assert change is not None
    assert [row.name for row in change.rows] == [
        "meter: resolution, count 1",
        "meter: resolution, count 2",
        "meter: repeatability",
        "meter: drift between the gates",
    ]
    steady = comparison_budget(0.0, 4e6, HERE, counts=2, noisy=False)
    assert steady is not None
    assert steady.rows[-1].name == "meter: drift of the timebase"


def test_a_count_that_starts_at_any_phase_is_triangular() -> None:
    rng = np.random.default_rng(1)
    true, phase = rng.uniform(1000, 1001, 400_000), rng.random(400_000)
    errors = np.floor(true + phase) - true
    assert float(np.std(errors)) == pytest.approx(1 / math.sqrt(6), rel=0.01)


@pytest.mark.published("E.4.3 uncertainty of a standard deviation", source="JCGM 100:2008", how="from memory")
def test_a_standard_deviation_is_uncertain_itself() -> None:
    found = spread_budget(2e-6, 5)
    assert found is not None
    assert found.standard_uncertainty / 2e-6 == pytest.approx(0.354, abs=0.002)  # Table E.1 has 36 % for n = 5, exact
    assert found.effective_dof == 4
    assert spread_budget(0.0, 5) is None
