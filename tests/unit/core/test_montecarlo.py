"""Monte Carlo against the examples of JCGM 101 and others. Seeds are fixed; tolerances are the printed digits."""

import math

import numpy as np
import pytest

from hil.core.budget import budget
from hil.core.functions import atan2, sqrt
from hil.core.inputs import (
    arcsine,
    curvilinear_trapezoidal,
    normal,
    rectangular,
    simultaneous,
)
from hil.core.montecarlo import (
    BLOCK,
    adaptive,
    compare,
    draw,
    evaluate,
    numerical_tolerance,
    propagate,
    summarise,
)

approx = pytest.approx
SQRT3 = math.sqrt(3)


def added(*terms):
    return sum(terms)


NORMAL = [normal(f"X{i}", 0.0, 1.0) for i in range(1, 5)]
RECTANGLES = [rectangular(f"X{i}", 0.0, SQRT3) for i in range(1, 5)]


@pytest.mark.published("9.2.2 Table 2, sum of four normal quantities", source="JCGM 101:2008", how="read")
def test_sum_of_normal_quantities():
    gum = budget(added, NORMAL, probability=0.95)
    assert gum.standard_uncertainty == approx(2.0)
    assert gum.expanded_uncertainty == approx(3.92, abs=0.005)
    found = propagate(added, NORMAL, probability=0.95, seed=1)
    assert found.standard_uncertainty == approx(2.0, abs=0.005)
    assert found.interval == approx((-3.92, 3.92), abs=0.015)
    assert found.shortest == approx((-3.92, 3.92), abs=0.06)


@pytest.mark.published("9.2.3 Table 3, sum of four equal rectangular quantities", source="JCGM 101:2008", how="read")
def test_sum_of_rectangular_quantities():
    found = propagate(added, RECTANGLES, probability=0.95, seed=1)
    assert found.standard_uncertainty == approx(2.0, abs=0.005)
    assert found.interval == approx((-3.879407, 3.879407), abs=0.01)  # exact ends; 3.88 is printed


@pytest.mark.published("7.9.2, 9.2 numerical tolerance of u = 2.0", source="JCGM 101:2008", how="read")
def test_numerical_tolerance():
    assert [numerical_tolerance(2.0, digits) for digits in (1, 2, 3)] == [0.5, 0.05, 0.005]
    assert numerical_tolerance(9.96, 2) == 0.5  # 9.96 is 10 to two digits
    assert numerical_tolerance(0.0, 2) == 0.0


@pytest.mark.published("9.2.3 clause 8 comparison for rectangular quantities", source="JCGM 101:2008", how="read")
@pytest.mark.parametrize(("digits", "is_validated"), [(1, True), (2, True), (3, False)])
def test_comparison(digits, is_validated):
    gum = budget(added, RECTANGLES, probability=0.95)
    drawn = propagate(added, RECTANGLES, draws=4_000_000, probability=0.95, seed=1)
    found = compare(gum, drawn, digits=digits)
    assert (found.low_difference, found.high_difference) == approx((0.0405, 0.0405), abs=0.005)
    assert found.is_validated is is_validated


def loss(x1, x2):
    return x1**2 + x2**2


@pytest.mark.published(
    "9.4.2 Table 9, comparison loss (last digits from memory)",
    source="JCGM 101:2008",
    how="read",
    differs="at x1 = 0 the GUM framework gives u = 0, which is flagged and replaced by Monte Carlo",
)
@pytest.mark.parametrize(
    ("x1", "y_gum", "gum_interval", "y", "u", "shortest"),
    [
        (0.000, 0, (0, 0), 50, 50, (0, 150)),
        (0.010, 100, (-96, 296), 150, 112, (0, 367)),
        (0.050, 2500, (1520, 3480), 2550, 502, (1590, 3543)),
    ],
)
def test_comparison_loss(x1, y_gum, gum_interval, y, u, shortest):
    inputs = [normal("X1", x1, 0.005), normal("X2", 0.0, 0.005)]
    gum = budget(loss, inputs, probability=0.95)
    assert 1e6 * gum.value == approx(y_gum)
    assert [1e6 * end for end in gum.interval] == approx(list(gum_interval), abs=0.5)
    found = propagate(loss, inputs, draws=2_000_000, probability=0.95, seed=1)
    assert 1e6 * found.value == approx(y, abs=1)
    assert 1e6 * found.value == approx(1e6 * (x1**2 + 2 * 0.005**2), abs=1)  # exact mean
    assert 1e6 * found.standard_uncertainty == approx(u, abs=1)
    assert 1e6 * found.standard_uncertainty == approx(1e6 * math.sqrt(4 * 0.005**4 + 4 * x1**2 * 0.005**2), abs=1)
    # where the distribution is nearly symmetric the place of the shortest interval is flat, its length is not
    assert [1e6 * end for end in found.shortest] == approx(list(shortest), abs=15 if x1 == 0.05 else 2)
    assert 1e6 * (found.shortest[1] - found.shortest[0]) == approx(shortest[1] - shortest[0], abs=3)
    chosen = evaluate(loss, inputs, probability=0.95)
    assert chosen.method == "Monte Carlo"
    assert chosen.standard_uncertainty == approx(found.standard_uncertainty, rel=0.02)


@pytest.mark.published("9.5 Table 12, gauge block by Monte Carlo", source="JCGM 101:2008", how="from memory")
def test_gauge_block():
    inputs = [
        normal("L_S", 50_000_623.0, 25.0, dof=18),
        normal("D", 215.0, 6.0, dof=24),
        normal("d1", 0.0, 4.0, dof=5),
        normal("d2", 0.0, 7.0, dof=8),
        rectangular("alpha_S", 11.5e-6, 2e-6),
        normal("Theta_0", -0.1, 0.2),
        arcsine("Delta", 0.0, 0.5),
        curvilinear_trapezoidal("d_alpha", 0.0, 1e-6, 0.1e-6),
        curvilinear_trapezoidal("d_theta", 0.0, 0.05, 0.025),
    ]

    def deviation(standard, d, d1, d2, alpha, theta_0, delta, d_alpha, d_theta):
        return standard + d + d1 + d2 - standard * (d_alpha * (theta_0 + delta) + alpha * d_theta) - 50e6

    gum = budget(deviation, inputs, probability=0.99)
    assert gum.value == approx(838, abs=0.5)
    assert gum.standard_uncertainty == approx(32, abs=0.5)
    found = propagate(deviation, inputs, probability=0.99, seed=4)
    assert found.value == approx(838, abs=0.5)
    assert found.standard_uncertainty == approx(36, abs=0.5)
    assert found.shortest == approx((745, 932), abs=2)


@pytest.mark.published("E3 falling-ball viscometer, Monte Carlo", source="NIST TN 1900 (Possolo 2015)", how="read")
def test_viscometer():
    inputs = [
        normal("mu_c", 4.63, 0.0463),
        normal("rho_b", 2217.0, 0.5),
        normal("rho_m", 1180.0, 0.5),
        normal("rho_c", 810.0, 0.5),
        normal("t_c", 36.6, 5.49),
        normal("t_m", 61.0, 6.1),
    ]

    def viscosity(mu_c, rho_b, rho_m, rho_c, t_c, t_m):
        return mu_c * (rho_b - rho_m) / (rho_b - rho_c) * t_m / t_c

    found = propagate(viscosity, inputs, probability=0.95, seed=5)
    assert (found.value, found.standard_uncertainty) == approx((5.82, 1.11), abs=0.01)
    assert found.interval == approx((4.05, 8.39), abs=0.02)
    assert evaluate(viscosity, inputs, probability=0.95, unit="mPa s").method == "Monte Carlo"


@pytest.mark.published(
    "example 10, Stefan-Boltzmann constant, Monte Carlo", source="NIST Uncertainty Machine manual", how="read"
)
@pytest.mark.parametrize(("probability", "interval"), [(0.99, (5.67032, 5.67043)), (0.68, (5.67035, 5.67039))])
def test_stefan_boltzmann(probability, interval):
    inputs = [
        normal("h", 6.62606957e-34, 0.00000029e-34),
        normal("R", 8.3144621, 0.0000075),
        normal("Rinf", 10973731.568539, 0.000055),
        normal("Ar", 5.4857990946e-4, 0.0000000022e-4),
        normal("alpha", 7.2973525698e-3, 0.0000000024e-3),
    ]

    def constant(h, r, r_inf, a_r, alpha):
        return 32 * math.pi**5 * h * r**4 * r_inf**4 / (15 * a_r**4 * 1e-3**4 * 299792458.0**6 * alpha**8)

    found = propagate(constant, inputs, probability=probability, seed=6)
    assert [1e8 * end for end in found.interval] == approx(list(interval), abs=1e-5)
    assert evaluate(constant, inputs, probability=probability).method == "GUM"


@pytest.mark.published("9.2 Table 6, magnitude and phase near zero, Monte Carlo", source="JCGM 102:2011", how="read")
def test_magnitude_and_phase():
    inputs = [normal("re", 0.001, 0.01), normal("im", 0.0, 0.01)]
    magnitude = propagate(lambda re, im: sqrt(re**2 + im**2), inputs, seed=7)
    assert (magnitude.value, magnitude.standard_uncertainty) == approx((0.013, 0.007), abs=5e-4)
    # u of the draws scatters by 0.00083 in a million of them: four million halve that, and four times it is allowed.
    phase = propagate(lambda re, im: atan2(im, re), inputs, draws=4_000_000, seed=7)
    assert phase.value == approx(0.0, abs=0.01)
    assert phase.standard_uncertainty == approx(1.744, abs=0.002)
    assert phase.standard_uncertainty == approx(1.744127, abs=0.0017)  # integrated numerically


# Properties.


def test_correlated_inputs_are_drawn_together():
    inputs = [normal("a", 1.0, 0.1), rectangular("r", 0.0, 1e-9), normal("b", 2.0, 0.2)]
    values = draw(lambda a, _, b: a - b, inputs, draws=400_000, seed=1, correlation={("b", "a"): 0.9})
    assert float(np.std(values)) == approx(math.sqrt(0.01 + 0.04 - 2 * 0.9 * 0.02), rel=0.01)
    same = draw(lambda a, _, b: 2 * a - b, inputs, draws=10_000, seed=1, correlation={("b", "a"): 1.0})
    assert float(np.std(same)) == approx(0.0, abs=1e-12)


def test_quantities_read_together_draw_a_common_t():
    volt, ampere = (5.007, 4.994, 5.005, 4.990, 4.999), (0.019663, 0.019639, 0.019640, 0.019685, 0.019678)
    inputs, correlation = simultaneous(["V", "I"], (volt, ampere))
    values = draw(lambda v, i: v / i, inputs, draws=400_000, seed=1, correlation=correlation)
    gum = budget(lambda v, i: v / i, inputs, correlation=correlation, probability=0.95)
    assert gum.effective_dof == approx(4)
    found = summarise(values, 0.95)
    assert found.interval == approx(gum.interval, abs=0.02 * gum.standard_uncertainty)


@pytest.mark.parametrize(
    ("inputs", "message"),
    [
        (
            [normal("a", 0, 1), rectangular("b", 0, 1)],
            "b: correlated inputs must be normal to be drawn; state its u as normal",
        ),
        (
            [normal("a", 0, 1), normal("b", 0, 1, dof=3)],
            "correlated inputs need equal degrees of freedom (read together), or infinite ones",
        ),
    ],
)
def test_correlations_that_cannot_be_drawn(inputs, message):
    with pytest.raises(ValueError, match=r"^") as caught:
        draw(added, inputs, draws=10, seed=1, correlation={("a", "b"): 0.5})
    assert str(caught.value) == message


def test_the_same_seed_gives_the_same_values_and_a_new_input_shifts_no_other():
    first = draw(lambda a, b: a, NORMAL[:2], draws=BLOCK + 5, seed=3)
    again = draw(lambda a, b, c: a, NORMAL[:3], draws=BLOCK + 5, seed=3)
    other = draw(lambda a, b: a, NORMAL[:2], draws=BLOCK + 5, seed=4)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_adaptive_stops_when_stable_and_says_when_it_is_not():
    found = adaptive(added, NORMAL, digits=1, probability=0.95, seed=1)
    assert found.is_stable
    assert found.draws < 200_000
    assert found.interval == approx((-3.92, 3.92), abs=0.2)
    hurried = adaptive(added, NORMAL, digits=3, probability=0.95, seed=1, most_draws=40_000)
    assert not hurried.is_stable
    assert hurried.draws <= 40_000


def test_evaluate_keeps_the_gum_result_of_a_linear_model():
    found = evaluate(added, NORMAL, unit="F", probability=0.95)
    assert found.method == "GUM"
    assert found.notes[0].startswith("GUM validated by Monte Carlo: ends of the intervals differ by ")
    assert found.unit == "F"


def test_too_few_draws_for_an_interval():
    with pytest.raises(ValueError, match=r"10 draws are too few for a coverage probability of 0\.99"):
        summarise(np.arange(10.0), 0.99)
