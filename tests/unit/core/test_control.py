"""Control charts against published examples (part E of the register)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from hil.core.control import D2, averages, c4, counts, cusum, ewma, individuals, run_rules

DATA = Path(__file__).parents[2] / "data"


def column(name: str, key: str) -> list[float]:
    with (DATA / name).open() as file:
        return [float(row[key]) for row in csv.DictReader(file)]


@pytest.mark.published("E1 individuals chart, flow rate", source="NIST/SEMATECH e-Handbook 6.3.2.2", how="read")
def test_individuals_flow_rate() -> None:
    series = column("nist_pmc322_flowrate.csv", "x")
    chart = individuals(series)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert float(np.abs(np.diff(series)).mean()) == pytest.approx(1.8778, abs=5e-5)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((45.8159, 55.8041), abs=5e-5)
    assert chart.in_control
    # The printed limits rest on d2 = 1.128; with the exact one the upper limit would be 55.8024.
    assert chart.centre + 3 * 1.8778 / (2 / np.sqrt(np.pi)) == pytest.approx(55.8024, abs=5e-4)


@pytest.mark.published("3.1 control-chart constants d2", source="ASTM/Montgomery tables, NIST 6.3.2.1", how="read")
def test_d2_is_the_mean_range_rounded_to_three_digits() -> None:
    for n, printed in D2.items():
        mean_range, _ = quad(lambda x, n=n: 1 - norm.cdf(x) ** n - norm.sf(x) ** n, -9, 9)
        assert printed == pytest.approx(mean_range, abs=5.1e-4), n
    assert set(D2) == set(range(2, 11))


@pytest.mark.published(
    "E3 CUSUM",
    source="NIST/SEMATECH e-Handbook 6.3.2.3",
    how="from memory",
    differs="the sums are as read; the group means to three places are from memory and give the printed sums",
)
def test_cusum() -> None:
    means = column("nist_pmc323_cusum.csv", "mean_3dp_memory")
    found = cusum(means, target=325, k=0.3175, h=4.1959)
    printed = [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    assert found.high[12:20] == pytest.approx(printed, abs=0.0051)
    assert found.signals[0].at + 1 == 14
    rounded = cusum(column("nist_pmc323_cusum.csv", "mean_2dp_as_read"), target=325, k=0.3175, h=4.1959)
    assert rounded.high[12:20] == pytest.approx(printed, abs=0.031)


@pytest.mark.published("E5 c chart", source="NIST/SEMATECH e-Handbook 6.3.3.1", how="from memory")
def test_counts_chart() -> None:
    chart = counts(column("nist_pmc331_cchart.csv", "defects"))
    assert (chart.centre, chart.lower[0], chart.upper[0]) == (16, 4, 28)
    assert [signal.at + 1 for signal in chart.signals] == [24]  # wafer 3 has exactly 28: not beyond


@pytest.mark.published(
    "E6 X-bar chart, piston rings", source="Montgomery, SQC; qcc article, R News 4/1 (2004)", how="read"
)
def test_averages_of_piston_rings() -> None:
    with (DATA / "pistonrings_montgomery.csv").open() as file:
        rows = list(csv.DictReader(file))
    groups: dict[str, list[float]] = {}
    for row in rows:
        groups.setdefault(row["sample"], []).append(float(row["diameter"]))
    data = np.array([groups[key] for key in sorted(groups, key=int)])
    first = averages(data[:25], estimator="range")
    assert first.centre == pytest.approx(74.00118, abs=5e-6)
    root5 = np.sqrt(5)
    assert first.sigma * root5 == pytest.approx(0.009785, abs=5e-6)
    assert averages(data[:25], estimator="sd").sigma * root5 == pytest.approx(0.009830, abs=5e-6)
    # The article's 0.009887547 is none of the three textbook estimators of within-group spread to the last digit but
    # the printed limits follow from it; we give it as known sigma.
    printed = individuals(data.mean(axis=1), rules="limits", centre=first.centre, sigma=0.009887547 / root5)
    assert (printed.lower[0], printed.upper[0]) == pytest.approx((73.98791, 74.01444), abs=5e-6)
    assert [signal.at + 1 for signal in printed.signals] == [37, 38, 39]


@pytest.mark.published(
    "E10 run-rule boundaries",
    source="Nelson, JQT 16(4) 1984; Western Electric 1956 (NIST e-Handbook 6.3.2)",
    how="read",
)
def test_eight_and_nine_points_on_one_side() -> None:
    eight, nine = [0.5] * 8, [0.5] * 9
    assert [signal.rule for signal in run_rules(eight, 0, 1, "western_electric")] == ["8 on one side"]
    assert run_rules(eight, 0, 1, "nelson") == ()
    assert [signal.rule for signal in run_rules(nine, 0, 1, "nelson")] == ["9 on one side"]


@pytest.mark.published(
    "E10 false-alarm rates", source="Nelson, JQT 16(4) 1984; Western Electric 1956 (NIST e-Handbook 6.3.2)", how="read"
)
def test_run_lengths() -> None:
    assert 1 / (2 * norm.sf(3)) == pytest.approx(370.4, abs=0.05)
    assert 1 / (norm.sf(2) + norm.cdf(-4)) == pytest.approx(43.9, abs=0.05)
    series = np.random.default_rng(7).normal(size=20_000)
    for rules, one_in in (("nelson", 44), ("western_electric", 61)):
        firing = {signal.at for signal in run_rules(series, 0, 1, rules)}
        assert series.size / len(firing) == pytest.approx(one_in, rel=0.35)


@pytest.mark.published(
    "E11 check-standard control", source="NIST/SEMATECH e-Handbook 2.6.2 (wafer 137)", how="from memory"
)
def test_check_standard() -> None:
    values = column("nist_mpc62_check_standard.csv", "checkstd")
    short = np.array(column("nist_mpc62_check_standard.csv", "stddev"))
    assert np.mean(values) == pytest.approx(97.0698, abs=5e-5)
    assert np.std(values, ddof=1) == pytest.approx(0.0268, abs=5e-5)
    assert np.sqrt((short**2).mean()) == pytest.approx(0.06139, abs=1e-5)


@pytest.mark.published(
    "3.1 control-chart constants c4", source="ASTM/Montgomery tables, NIST e-Handbook 6.3.2.1", how="read"
)
@pytest.mark.parametrize(("n", "printed"), [(2, 0.7979), (5, 0.9400), (10, 0.9727)])
def test_c4(n: int, printed: float) -> None:
    assert c4(n) == pytest.approx(printed, abs=5e-5)


def test_each_nelson_rule_fires_on_its_pattern() -> None:
    patterns = {
        "1 beyond 3 sigma": [0, 3.1],
        "6 rising or falling": [-0.9, -0.5, -0.1, 0.3, 0.6, 0.9],
        "14 alternating": [0.4, -0.4] * 7,
        "2 of 3 beyond 2 sigma on one side": [2.1, 0, 2.2],
        "4 of 5 beyond 1 sigma on one side": [1.1, 1.2, 0, 1.3, 1.4],
        "15 within 1 sigma": [0.3, 0.2, -0.3, -0.1, 0.5] * 3,
        "8 outside 1 sigma on both sides": [1.5, -1.5, -1.4, 1.3, 1.2, -1.2, 1.4, -1.1],
    }
    for rule, points in patterns.items():
        assert rule in {signal.rule for signal in run_rules(points, 0, 1, "nelson")}


def test_ewma_finds_a_small_shift_and_says_since_when() -> None:
    rng = np.random.default_rng(3)
    series = np.concatenate([rng.normal(0, 1, 30), rng.normal(1.5, 1, 20)])
    chart = ewma(series, target=0, sigma=1)
    assert chart.signals
    assert 30 <= chart.signals[0].at < 40
    assert chart.signals[0].since < chart.signals[0].at


def test_a_constant_series_is_in_control_until_it_moves() -> None:
    assert individuals([5.0] * 10).in_control
    assert [signal.at for signal in individuals([5.0] * 9 + [5.1], centre=5.0, sigma=0.0).signals] == [9]


def test_unknown_rules_are_refused() -> None:
    with pytest.raises(ValueError, match="rules 'guess' are not known; known: western_electric, nelson, limits"):
        run_rules([1.0, 2.0], 0, 1, "guess")
