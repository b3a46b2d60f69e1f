"""Budgets of judged readings: named rows, figures that can be walked back by hand."""

import math

import pytest

from hil.core.equipment import Accuracy, Certificate, Part
from hil.core.reading_budget import Circumstances, error_budget, one_count, quantity_budget

PART = Part(
    name="c_100p",
    kind="capacitor",
    present=Certificate(value=100e-12, expanded_uncertainty=0.06e-12, certificate="K-1", date="2026-11-25"),
    temperature_coefficient_per_k=30e-6,
)
HERE = Circumstances(
    today="2026-11-25", accuracies={("voltmeter", "voltage"): Accuracy(relative=1.5e-4, absolute=5e-4)}
)


def test_rows_of_an_error_of_indication() -> None:
    found = error_budget(100.1e-12, PART, "F", HERE, repeats=(100.0e-12, 100.2e-12, 100.1e-12))
    assert found is not None
    rows = {row.name: row for row in found.rows}
    assert list(rows) == [
        "part: certificate",
        "part: temperature",
        "jig: residual zero",
        "jig: contact repeatability",
        "meter: resolution",
        "repeatability",
    ]
    assert rows["part: certificate"].contribution == pytest.approx(0.03e-12)
    assert rows["part: temperature"].contribution == pytest.approx(100e-12 * 30e-6 * 2 / math.sqrt(3))
    assert rows["repeatability"].contribution == pytest.approx(0.1e-12 / math.sqrt(3))
    assert (rows["repeatability"].kind, rows["repeatability"].dof) == ("A", 2)
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
        frequency_hz=184e3,
        self_resonance_hz=2e6,
    )
    found = error_budget(1.001e-3, coil, "H", HERE)
    assert found is not None
    rows = {row.name: row.contribution for row in found.rows}
    assert rows["jig: capacitance across the inductor"] == pytest.approx(
        0.0013 * 0.3 * 1.001e-3 / math.sqrt(3), rel=1e-3
    )
    assert rows["part: frequency"] == pytest.approx(0.1 * 1e-3 * (184e3 / 2e6) ** 2 / math.sqrt(3))


def test_the_empty_jig_has_no_budget() -> None:
    assert error_budget(1e-12, Part(name="open", kind="open"), "F", HERE) is None
