"""Equivalence, power and agreement against published examples (part G of the register)."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from hil.core.equivalence import Difference, agreement, holm, paired, power_changed, power_same, unpaired

DATA = Path(__file__).parents[2] / "data"
SLEEP_1 = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
SLEEP_2 = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)
WRIGHT_1 = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI_1 = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)
SLEEP = "Student 1908 sleep data; TOSTER package, IntroTOSTt vignette"


@pytest.mark.published("G1 paired two one-sided tests", source=SLEEP, how="read")
def test_sleep_paired():
    found = paired([first - second for first, second in zip(SLEEP_1, SLEEP_2, strict=True)])
    assert found.value == pytest.approx(-1.58, abs=5e-5)
    assert found.standard_error == pytest.approx(0.3890, abs=5e-5)
    assert found.value / found.standard_error == pytest.approx(-4.062, abs=5e-4)
    assert found.p_zero() == pytest.approx(0.003, abs=5e-4)
    assert (found.value + 0.5) / found.standard_error == pytest.approx(-2.777, abs=5e-4)
    assert (found.value - 0.5) / found.standard_error == pytest.approx(-5.348, abs=5e-4)
    assert found.p_equivalent(0.5) == pytest.approx(0.9892, abs=5e-5)
    assert found.interval() == pytest.approx((-2.2930, -0.8670), abs=5e-5)


@pytest.mark.published("G1 Welch two one-sided tests", source=SLEEP, how="read")
def test_sleep_welch():
    found = unpaired(SLEEP_2, SLEEP_1)
    assert found.value / found.standard_error == pytest.approx(-1.861, abs=5e-3)
    assert found.dof == pytest.approx(17.78, abs=5e-3)
    assert found.p_equivalent(0.5) == pytest.approx(0.8901, abs=5e-5)
    assert found.interval() == pytest.approx((-3.0534, -0.1066), abs=5e-5)


@pytest.mark.published("G3 paired, from summaries", source="TOSTER package, test-known_results.R", how="read")
def test_summaries():
    variance = 1.17**2 + 1.29**2 - 2 * 0.75 * 1.17 * 1.29
    found = Difference(value=5.83 - 5.75, standard_error=(variance / 65) ** 0.5, dof=64)
    assert (found.value + 0.350782) / found.standard_error == pytest.approx(3.960381, abs=5e-7)
    assert (found.value - 0.350782) / found.standard_error == pytest.approx(-2.489426, abs=5e-7)
    assert Difference(value=-found.value, standard_error=found.standard_error, dof=64).p_above(-0.350782) == (
        pytest.approx(0.00770235, abs=5e-8)
    )
    assert found.p_above(-0.350782) == pytest.approx(0.00009531728, abs=5e-8)
    assert found.p_equivalent(0.350782) == pytest.approx(0.00770235, abs=5e-8)
    assert found.interval() == pytest.approx((-0.1015433, 0.2615433), abs=5e-8)


@pytest.mark.published(
    "G5 two one-sided tests on small vectors", source="pingouin 0.7.0, test_equivalence.py", how="read"
)
def test_small_vectors():
    a, b = (4, 7, 8, 6, 3, 2), (6, 8, 7, 10, 11, 9)
    pooled, welch = unpaired(a, b, equal_spread=True), unpaired(a, b)
    assert pooled.p_equivalent(1) == pytest.approx(0.9650974, abs=5e-8)
    assert welch.dof == pytest.approx(9.49, abs=5e-3)
    assert welch.p_equivalent(1) == pytest.approx(0.9643479, abs=5e-8)
    assert pooled.p_equivalent(10) == pytest.approx(0.00017933, abs=1e-8)  # the printed figure is cut off, not rounded
    matched = paired([second - first for first, second in zip(a, b, strict=True)])
    assert matched.p_equivalent(1) == pytest.approx(0.9293826, abs=5e-8)
    assert matched.p_equivalent(2) == pytest.approx(0.8286101, abs=5e-8)


@pytest.mark.published("G6 limits of agreement", source="Bland & Altman, Lancet 1986;i:307-310", how="from memory",
                       differs="the paper rounds the standard deviation to 38.8 before it multiplies")  # fmt: skip
def test_agreement():
    found = agreement([large - small for large, small in zip(WRIGHT_1, MINI_1, strict=True)], factor=2)
    assert found.mean == pytest.approx(-2.1, abs=0.05)
    assert found.spread == pytest.approx(38.765, abs=5e-4)
    assert (found.lower, found.upper) == pytest.approx((-79.7, 75.5), abs=0.1)
    assert found.mean_interval == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.lower_interval == pytest.approx((-114.3, -45.1), abs=0.3)
    assert found.upper_interval == pytest.approx((40.9, 110.1), abs=0.3)


@pytest.mark.published("G8 old and new configuration", source="NIST/SEMATECH e-Handbook 2.5.3.3.1", how="from memory")
@pytest.mark.parametrize(("column", "mean", "spread", "t"), [(3, -0.00383, 0.00514, -4.0), (4, 0.00489, 0.00400, 6.6)])
def test_configurations(column, mean, spread, t):
    with (DATA / "nist_mpc536_config_diff.csv").open() as file:
        differences = [float(row[column]) for row in list(csv.reader(file))[1:]]
    found = paired(differences)
    assert found.value == pytest.approx(mean, abs=1e-5)
    assert found.standard_error * 29**0.5 == pytest.approx(spread, abs=1e-5)
    assert found.value / found.standard_error == pytest.approx(t, abs=0.05)
    assert found.t(0.025) == pytest.approx(2.048, abs=5e-4)


@pytest.mark.published("G9 power of two one-sided tests", source="PASS manual ch. 460, by TOSTER test-power_t_TOST.R",
                       how="read")  # fmt: skip
@pytest.mark.parametrize(("each", "power"), [(15, 0.69339), (30, 0.94326)])
def test_power(each, power):
    error = 18 * (2 / each) ** 0.5
    assert power_same(shift=-4, standard_error=error, dof=2 * each - 2, margin=19.2) == pytest.approx(power, abs=5e-6)


def test_power_of_change_is_that_of_the_one_sided_test():
    # A shift just at the margin is called changed with the level of the test, by construction.
    assert power_changed(shift=1.0, standard_error=0.1, dof=4, margin=1.0) == pytest.approx(0.05, abs=1e-9)
    assert power_changed(shift=-2.0, standard_error=0.1, dof=4, margin=1.0) > 0.99


def test_no_spread_and_no_degrees_of_freedom():
    exact = Difference(value=0.2, standard_error=0.0, dof=3)
    assert exact.interval() == (0.2, 0.2)
    assert (exact.p_beyond(0.1), exact.p_beyond(0.3)) == (0.0, 1.0)
    assert paired([0.2]).interval() == (float("-inf"), float("inf"))
    assert paired([0.2]).p_equivalent(1.0) == 1.0
    assert power_same(shift=0.0, standard_error=0.0, dof=3, margin=1.0) == 1.0


def test_holm_is_step_down():
    # From memory: sorted p-values times 4, 3, 2, 1, never falling.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert holm([]) == ()


def test_wrong_input():
    with pytest.raises(ValueError, match="a mean needs at least one difference"):
        paired([])
    with pytest.raises(ValueError, match="needs two of them on each side"):
        unpaired([1.0], [2.0, 3.0])
    with pytest.raises(ValueError, match="at least two differences"):
        agreement([1.0])


def test_interval_is_the_tests():
    found = paired([0.1, 0.3, 0.2, 0.25])
    upper = found.interval()[1]
    assert found.p_equivalent(upper) == pytest.approx(0.05, abs=1e-9)
    assert stats.t.sf(found.t(), found.dof) == pytest.approx(0.05)


@pytest.mark.parametrize(("count", "level"), [(2, 0.064), (3, 0.050), (5, 0.050)])
def test_a_floor_keeps_the_level(count, level):
    """However the true spread lies to the floor, a difference at the margin is called beyond it at the level."""
    rng = np.random.default_rng(11)
    for true in (0.3, 1.0, 1.5, 2.0, 3.0):
        drawn = rng.normal(1.0, true, (4000, count))
        beyond = sum(paired(list(row), floor=1.0).p_beyond(1.0) < 0.05 and row.mean() > 0 for row in drawn)
        assert beyond / 4000 < level + 3 * math.sqrt(level / 4000), true


def test_what_is_known_of_a_floor():
    assert paired([1.0, 1.0, 1.0], floor=0.3).dof == math.inf
    assert paired([1.0, 1.0], floor=0.0).dof == 1
    halved = paired([0.5, 1.5], floor=math.sqrt(2.0))  # their standard deviation is half the floor
    assert (halved.dof, halved.standard_error) == (pytest.approx(16.0), pytest.approx(1.0))
    both = unpaired([0.0, 1.0], [0.0, 1.0], floor=1.0)
    assert both.dof == pytest.approx(2 * 4.0)
