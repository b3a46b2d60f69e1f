"""Capability indices against published examples (E8, E12, C12 of the register)."""

import numpy as np
import pytest
from scipy.stats import norm

from hil.core.capability import from_percentiles, from_summary, percentile_indices


@pytest.mark.published("E8 capability indices", source="NIST/SEMATECH e-Handbook 6.1.6", how="read")
def test_nist_capability() -> None:
    found = from_summary(50, 16.0, 2.0, 8.0, 20.0)
    assert found.cp == 1.0
    assert (found.cpk, found.cp_upper, found.cp_lower, found.off_centre) == pytest.approx(
        (0.6667, 0.6667, 1.3333, 0.3333), abs=5e-5
    )
    assert from_summary(50, 16.0, 2.0, 8.0, 20.0, target=14.0).cpm == pytest.approx(12 / (6 * np.sqrt(8)))


@pytest.mark.published("C12 specific risk and Cpk", source="suncal test_cpk", how="read")
@pytest.mark.parametrize(
    ("mean", "cpk", "risk"), [(10, 0.833333, 0.01242), (10.5, 0.416667, 0.10574), (12, -0.833333, 0.99379)]
)
def test_cpk_and_the_share_outside(mean: float, cpk: float, risk: float) -> None:
    assert from_summary(100, mean, 0.4, 9, 11).cpk == pytest.approx(cpk, abs=1e-5)
    assert norm.sf(11, mean, 0.4) + norm.cdf(9, mean, 0.4) == pytest.approx(risk, abs=1e-5)


@pytest.mark.published("E12 percentile method", source="ISO 22514-4, second-hand", how="read")
def test_percentile_method_of_a_normal_process() -> None:
    low, high = norm.ppf(0.00135), norm.ppf(0.99865)
    assert high - low == pytest.approx(5.999954, abs=1e-6)
    pp, ppk = percentile_indices(low, 0.0, high, -3.0, 4.5)
    assert pp == pytest.approx(7.5 / 5.999954, abs=1e-6)
    assert ppk == pytest.approx(3.0 / -low, abs=1e-9)


def test_few_readings_are_said_to_be_few() -> None:
    found = from_percentiles([1.0, 2.0, 3.0], 0.0, 4.0)
    assert found.is_extrapolated
    assert found.ppk == pytest.approx(1 / (1 - 0.00135 * 2) * 2, rel=0.01)


def test_one_sided_and_constant() -> None:
    one_sided = from_summary(20, 5.0, 1.0, None, 8.0)
    assert (one_sided.cp, one_sided.cpk) == (None, 1.0)
    constant = from_summary(20, 5.0, 0.0, 4.0, 8.0)
    assert (constant.cp, constant.cpk, constant.cpk_lower_limit) == (None, None, None)


def test_interval_of_cpk_covers() -> None:
    rng = np.random.default_rng(11)
    hits = 0
    for _ in range(500):
        x = rng.normal(0, 1, 60)
        found = from_summary(60, float(x.mean()), float(x.std(ddof=1)), -4.0, 4.0)
        assert found.cpk_lower_limit is not None
        assert found.cpk_upper_limit is not None
        hits += found.cpk_lower_limit <= 4 / 3 <= found.cpk_upper_limit
    assert hits / 500 >= 0.93


def test_nothing_to_judge_is_refused() -> None:
    with pytest.raises(ValueError, match="needs a limit"):
        from_summary(10, 0, 1, None, None)
    with pytest.raises(ValueError, match="needs two readings or more"):
        from_summary(1, 0, 1, 0, 1)


def test_confidence_limits_of_the_percentile_method_hold_the_true_index() -> None:
    hits = 0
    for seed in range(100):
        values = np.random.default_rng(seed).normal(0.0, 1.0, 3000)
        found = from_percentiles(values, -4.0, 4.0)
        assert found.ppk_lower_limit is not None
        assert found.ppk_upper_limit is not None
        assert found.ppk_lower_limit <= found.ppk_upper_limit
        hits += found.ppk_lower_limit <= 4 / 3 <= found.ppk_upper_limit
    assert hits >= 88  # of 95 to be expected; the outermost points are seen by four readings only


def test_a_constant_series_has_no_percentile_index() -> None:
    found = from_percentiles([1.0] * 10, 0.0, 4.0)
    assert (found.ppk, found.ppk_lower_limit, found.ppk_upper_limit) == (None, None, None)
