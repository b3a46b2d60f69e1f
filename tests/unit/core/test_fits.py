"""Straight lines and analysis of variance against published examples."""

import pytest

from hil.core.fits import analyse_groups, fit_line

approx = pytest.approx
X = (4, 8, 12.5, 16, 20, 25, 31, 36, 40, 40)
Y = (3.7, 7.8, 12.1, 15.6, 19.8, 24.5, 30.7, 35.5, 39.4, 39.5)


@pytest.mark.published("Table 6.1, straight line", source="Bevington & Robinson, Data Reduction", how="read")
def test_straight_line():
    line = fit_line(X, Y)
    assert line.intercept == approx(-0.222142, abs=5e-7)
    assert line.u_intercept == approx(0.06962967, abs=5e-9)
    assert line.slope == approx(0.992780, abs=5e-7)
    assert line.u_slope == approx(0.002636608, abs=5e-10)
    assert line.covariance == approx(-0.0001616271, abs=5e-11)
    assert line.dof == 8


def test_prediction_is_best_at_the_centre():
    line = fit_line(X, Y)
    centre = sum(X) / len(X)
    value, u = line.predict(centre)
    assert value == approx(sum(Y) / len(Y))
    assert u < line.predict(centre + 5)[1]
    assert u < line.predict(centre - 5)[1]


def test_given_uncertainties_decide_the_weights():
    line = fit_line([0, 1, 2], [0.0, 1.0, 5.0], [0.1, 0.1, 1e6])
    assert (line.intercept, line.slope) == approx((0.0, 1.0), abs=1e-6)
    assert line.u_slope == approx(0.1 * 2**0.5, rel=1e-6)
    assert line.dof is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1, 2], [1, 2]), "a line needs at least 3 points with x and y, not 2"),
        (([1, 2, 3], [1, 2]), "a line needs at least 3 points with x and y, not 3"),
        (([1], [1], [0.1]), "a line needs at least 2 points with x and y, not 1"),
        (([2, 2, 2], [1, 2, 3]), "all points lie at one x: no line goes through them"),
        (([1, 2], [1, 2], [0.1, 0.0]), "the uncertainty of every point must be more than zero"),
    ],
)
def test_no_line(arguments, message):
    with pytest.raises(ValueError, match=r"^") as caught:
        fit_line(*arguments)
    assert str(caught.value) == message


@pytest.mark.published(
    "H.5 Zener standard, ten days of five readings",
    source="JCGM 100:2008",
    how="read",
    differs="F is 2.2615 unrounded; the GUM prints 2.25 from rounded deviations",
)
def test_zener_standard():
    microvolts = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    deviations = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    found = analyse_groups([10 + 1e-6 * value for value in microvolts], [1e-6 * value for value in deviations], 5)
    assert found.mean == approx(10.000097, abs=5e-7)
    assert 1e6 * found.sd_of_means == approx(57.09, abs=0.01)
    assert 1e6 * found.sd_within == approx(84.89, abs=0.01)
    assert found.f_ratio == approx(2.25, abs=0.02)
    assert found.critical_ratio(0.95) == approx(2.12, abs=0.005)
    assert found.critical_ratio(0.975) == approx(2.45, abs=0.005)
    assert 0.025 < found.p_value < 0.05  # significant at 5 %, not at 2.5 %, as the GUM says
    assert 1e6 * found.sd_between == approx(43, abs=0.5)
    assert 1e6 * found.u_mean == approx(18, abs=0.5)


def test_no_difference_between_groups_gives_none():
    found = analyse_groups([1.0, 1.01, 0.99], [1.0, 1.0, 1.0], 10)
    assert found.sd_between == 0
    with pytest.raises(ValueError, match="two groups or more, each of two readings or more"):
        analyse_groups([1.0, 2.0], [0.1, 0.1], 1)
