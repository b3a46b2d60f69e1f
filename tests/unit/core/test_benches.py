"""Agreement of benches."""

import numpy as np
import pytest

from hil.core.benches import OneReading, RowOnBenches, compare_benches, e_n
from hil.core.compare import Finding

UNITS = tuple(f"Q2-{number}" for number in range(8))


def row(offsets: dict[str, float], *, name: str = "rail", spread: float = 0.001, **more: object) -> RowOnBenches:
    """Eight units on benches that are off by so much; each reading scatters by `spread`."""
    rng = np.random.default_rng(3)
    true = 5 + rng.normal(0, 0.05, len(UNITS))
    readings = {
        bench: {
            serial: [OneReading(value=float(value + offset + rng.normal(0, spread)), expanded_uncertainty=0.01)]
            for serial, value in zip(UNITS, true, strict=True)
        }
        for bench, offset in offsets.items()
    }
    fields: dict[str, object] = {"name": name, "title": "", "unit": "V", "margin": 0.02, "readings": readings}
    return RowOnBenches(**{**fields, **more})  # type: ignore[arg-type]


def test_e_n_by_hand() -> None:
    """3-4-5: ISO 13528 has E_n = (x − X)/√(U² + U²)."""
    assert e_n(10.5, 0.3, 10.0, 0.4) == pytest.approx(1.0)
    assert e_n(9.0, 0.3, 10.0, 0.4) == pytest.approx(-2.0)
    with pytest.raises(ValueError, match="above zero"):
        e_n(1.0, 0.0, 1.0, 0.0)


def test_benches_that_agree() -> None:
    agreement = compare_benches([row({"west": 0.0, "east": 0.001})])
    (only,) = agreement.rows
    assert (agreement.benches, agreement.units) == (("west", "east"), UNITS)
    assert (only.bench, only.shift.finding) == ("east", Finding.SAME)
    assert only.worst_e_n is not None
    assert abs(only.worst_e_n) < 1
    assert agreement.patterns == ()


def test_a_bench_that_is_off_is_said_to_be_off_by_how_much() -> None:
    agreement = compare_benches([row({"west": 0.0, "east": 0.05})])
    (only,) = agreement.of(Finding.CHANGED)
    assert only.shift.difference is not None
    assert only.shift.difference.value == pytest.approx(0.05, abs=0.002)
    assert "east reads 50" in only.words
    assert "more than west; which of the two is off, a third bench would tell" in only.words
    assert "|E_n| > 1 on 8 of 8 units" in only.words
    (pattern,) = agreement.patterns
    assert (pattern.bench, pattern.unit, pattern.rows, pattern.of) == ("east", "V", 1, 1)
    assert pattern.ratio == pytest.approx(0.01, rel=0.1)


def test_a_third_bench_tells_who_is_off() -> None:
    agreement = compare_benches([row({"west": 0.0, "east": 0.06, "north": 0.0}, margin=0.04)])
    findings = {one.bench: one.shift.finding for one in agreement.rows}
    # Each is held against the mean of the others: east is off by 0.06, the other two by 0.03.
    assert findings == {"west": Finding.SAME, "east": Finding.CHANGED, "north": Finding.SAME}


def test_a_reference_part_tells_which_of_two_is_off() -> None:
    with_part = row({"west": 0.0, "east": 0.05})
    readings = {
        bench: {serial: [OneReading(value=one.value, nominal=5.0) for one in group] for serial, group in own.items()}
        for bench, own in with_part.readings.items()
    }
    agreement = compare_benches([row({}, readings=readings)])
    assert "east is further from the reference part" in agreement.rows[0].words
    assert agreement.rows[0].worst_e_n is None  # no uncertainties


def test_too_much_scatter_is_no_agreement() -> None:
    agreement = compare_benches([row({"west": 0.0, "east": 0.0}, spread=0.1)])
    assert agreement.rows[0].shift.finding is Finding.CANNOT_TELL


def test_benches_without_a_unit_in_common_are_refused() -> None:
    readings = {"west": {"A": [OneReading(value=1.0)]}, "east": {"B": [OneReading(value=1.0)]}}
    with pytest.raises(ValueError, match="the benches west and east have measured no unit in common"):
        compare_benches([row({}, readings=readings)])
    with pytest.raises(ValueError, match="two benches or more are needed, not 1"):
        compare_benches([row({"west": 0.0})])


def test_an_equivalence_is_claimed_wrongly_in_one_of_twenty_at_the_margin() -> None:
    """Benches that differ by just the margin: the 90 % interval lies inside it in 5 % of studies (TOST)."""
    rng = np.random.default_rng(8)
    wrong = 0
    for _ in range(400):
        true = rng.normal(0, 1, 8)
        readings = {
            bench: {
                s: [OneReading(value=float(t + off + rng.normal(0, 0.01)))] for s, t in zip(UNITS, true, strict=True)
            }
            for bench, off in (("west", 0.0), ("east", 0.02))
        }
        wrong += compare_benches([row({}, readings=readings)]).rows[0].shift.finding is Finding.SAME
    assert 8 <= wrong <= 34  # 20 ± 3 binomial standard deviations
