"""Gage studies against published examples (parts D of the register) and against scipy and statsmodels."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from hil.core.coverage_factor import coverage_factor, welch_satterthwaite
from hil.core.gage import (
    K1,
    K2,
    K3,
    STUDY_SIGMAS,
    average_range,
    bias,
    crossed,
    linearity,
    nested,
    nested_study,
)

DATA = Path(__file__).parents[2] / "data"
AIAG = "AIAG MSA 4th ed. 2010, chapter III-B worked example"
NIST_GAUGE = "NIST/SEMATECH e-Handbook 2.6.1-2.6.3"


def load(name: str, unit: str, operator: str, repeat: str) -> NDArray[np.float64]:
    with (DATA / name).open() as file:
        rows = list(csv.DictReader(file))
    axes = [sorted({row[key] for row in rows}, key=lambda text: (len(text), text)) for key in (unit, operator, repeat)]
    values = np.full([len(axis) for axis in axes], math.nan)
    for row in rows:
        at = tuple(axis.index(row[key]) for axis, key in zip(axes, (unit, operator, repeat), strict=True))
        values[at] = float(row["value"])
    return values


@pytest.fixture(scope="module")
def aiag() -> NDArray[np.float64]:
    return load("aiag_msa4_grr_10x3x3.csv", "part", "appraiser", "trial")


@pytest.mark.published("D1 gage study 10×3×3, analysis of variance", source=AIAG, how="read")
def test_aiag_by_analysis_of_variance(aiag: NDArray[np.float64]) -> None:
    study = crossed(aiag)
    assert [source.sum_of_squares for source in study.sources] == pytest.approx(
        [88.3619, 3.1673, 0.3590, 2.7589], abs=5e-5
    )
    interaction = study.sources[2]
    assert (interaction.f, interaction.p) == pytest.approx((0.434, 0.974), abs=5e-4)
    assert study.pooled
    variances = [study.component(name).variance for name in ("repeatability", "operator", "gage", "unit", "total")]
    assert variances == pytest.approx([0.03997, 0.05146, 0.09143, 1.08645, 1.17788], abs=1e-5)
    sds = [study.component(name).sd for name in ("repeatability", "operator", "gage", "unit")]
    assert sds == pytest.approx([0.199933, 0.226838, 0.302373, 1.042327], abs=5e-6)
    shares = [100 * study.share_of_study(name) for name in ("repeatability", "operator", "gage", "unit")]
    assert shares == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=0.005)
    assert 100 * study.share_of_tolerance("gage", 8.0) == pytest.approx(22.68, abs=0.005)
    assert 100 * study.share_of_tolerance("unit", 8.0) == pytest.approx(78.17, abs=0.005)
    assert study.categories == pytest.approx(4.861, abs=0.005)
    assert study.distinct_categories == 4  # truncated; rounding would say 5


@pytest.mark.published("D1 the same with the interaction kept", source=AIAG, how="read")
def test_aiag_without_pooling(aiag: NDArray[np.float64]) -> None:
    study = crossed(aiag, pooling_alpha=1.0)
    assert not study.pooled
    assert study.component("repeatability").sd == pytest.approx(0.214435, abs=5e-6)


@pytest.mark.published("D1 gage study 10×3×3, average and range", source=AIAG, how="read")
def test_aiag_by_average_and_range(aiag: NDArray[np.float64]) -> None:
    assert float(np.ptp(aiag, axis=2).mean()) == pytest.approx(0.3417, abs=1e-4)
    assert float(np.ptp(aiag.mean(axis=(0, 2)))) == pytest.approx(0.4447, abs=1e-4)
    assert float(np.ptp(aiag.mean(axis=(1, 2)))) == pytest.approx(3.511, abs=1e-3)
    study = average_range(aiag)
    sds = [study.component(name).sd for name in ("repeatability", "operator", "gage", "unit", "total")]
    assert sds == pytest.approx([0.2019, 0.2297, 0.3058, 1.1046, 1.1461], abs=1e-4)
    shares = [100 * study.share_of_study(name) for name in ("repeatability", "operator", "gage", "unit")]
    assert shares == pytest.approx([17.6, 20.0, 26.7, 96.4], abs=0.05)
    assert study.categories == pytest.approx(5.09, abs=0.01)
    assert study.distinct_categories == 5


@pytest.mark.published("D3 gage study 10×3×2", source="qualityTools vignette 3.2", how="read")
def test_integers_ten_by_three_by_two() -> None:
    readings = load("grr_10x3x2_qualitytools.csv", "part", "operator", "rep")
    study = crossed(readings)
    unit, operator, interaction, residual = study.sources
    found = [source.sum_of_squares for source in (operator, unit, interaction, residual)]
    assert found == pytest.approx([20.63, 107.07, 22.03, 36.0], abs=0.005)
    squares = [source.mean_square for source in (operator, unit, interaction, residual)]
    assert squares == pytest.approx([10.317, 11.896, 1.224, 1.200], abs=5e-4)
    over_residual = [source.mean_square / residual.mean_square for source in (operator, unit, interaction)]
    assert over_residual == pytest.approx([8.597, 9.914, 1.020], abs=5e-4)
    assert interaction.p == pytest.approx(0.46732, abs=5e-6)
    total = study.component("total").variance
    shares = [100 * study.component(name).variance / total for name in ("repeatability", "operator", "unit")]
    assert shares == pytest.approx([35.09, 13.22, 51.69], abs=0.01)


def test_sums_of_squares_agree_with_statsmodels(aiag: NDArray[np.float64]) -> None:
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    frame = pd.DataFrame(
        [
            {"unit": f"u{u}", "operator": f"o{o}", "y": aiag[u, o, r]}
            for u in range(10)
            for o in range(3)
            for r in range(3)
        ]
    )
    table = anova_lm(ols("y ~ C(unit) * C(operator)", data=frame).fit())
    assert [source.sum_of_squares for source in crossed(aiag).sources] == pytest.approx(table["sum_sq"].to_numpy())


def test_large_offsets_lose_no_digits(aiag: NDArray[np.float64]) -> None:
    shifted = crossed(aiag * 1e-3 + 610e3)
    assert shifted.component("repeatability").sd == pytest.approx(0.199933e-3, rel=1e-4)


def test_constant_readings_give_zero_and_no_error() -> None:
    study = crossed(np.ones((3, 2, 2)))
    assert study.component("total").variance == 0
    assert study.distinct_categories == 1


@pytest.mark.parametrize("shape", [(1, 3, 3), (10, 1, 3), (10, 3, 1)])
def test_too_small_a_study_is_refused(shape: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="needs 2 units, 2 operators and 2 repeats or more"):
        crossed(np.zeros(shape))


def test_missing_readings_are_refused(aiag: NDArray[np.float64]) -> None:
    holed = aiag.copy()
    holed[3, 1, 2] = math.nan
    with pytest.raises(ValueError, match="take the missing ones again"):
        crossed(holed)


def test_intervals_cover_what_was_put_in() -> None:
    rng = np.random.default_rng(20)
    truth = {"operator": 0.25, "unit": 4.0, "total": 5.25}
    hits = dict.fromkeys(truth, 0)
    for _ in range(300):
        drawn = rng.normal(0, 2, (10, 1, 1)) + rng.normal(0, 0.5, (1, 6, 1)) + rng.normal(0, 1, (10, 6, 3))
        study = crossed(drawn)
        for name, value in truth.items():
            hits[name] += study.component(name).lower <= value <= study.component(name).upper
    assert {name: count / 300 >= 0.92 for name, count in hits.items()} == dict.fromkeys(truth, True)


@pytest.mark.published("D5 three-level nested gauge study", source=NIST_GAUGE, how="read")
def test_nist_nested_study() -> None:
    with (DATA / "nist_check_std.csv").open() as file:
        rows = list(csv.DictReader(file))
    # Five wafers, six days, two runs; A and B are before and after, their mean is the reading of the day.
    wafers = sorted({row["wafer"] for row in rows})
    runs = [("A1", "B1"), ("A2", "B2")]
    values = np.array(
        [[[float(row[pair[0]]) for row in rows if row["wafer"] == wafer] for pair in runs] for wafer in wafers]
    )
    days, run_level = nested(values, ("", "run", "day"))
    assert (days.dof, run_level.dof) == (50, 5)
    assert days.s == pytest.approx(0.0362, abs=5e-5)
    assert run_level.s == pytest.approx(0.0197, abs=1e-4)


def drawn_nested(rng: np.random.Generator) -> NDArray[np.float64]:
    return np.asarray(rng.normal(0, 2, (8, 1, 1)) + rng.normal(0, 1, (8, 4, 1)) + rng.normal(0, 0.5, (8, 4, 3)))


def test_nested_sums_of_squares_agree_with_statsmodels() -> None:
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    values = drawn_nested(np.random.default_rng(4))
    frame = pd.DataFrame(
        [
            {"unit": f"u{u}", "fitting": f"f{f}", "y": values[u, f, r]}
            for u in range(8)
            for f in range(4)
            for r in range(3)
        ]
    )
    table = anova_lm(ols("y ~ C(unit) / C(fitting)", data=frame).fit())
    study = nested_study(values)
    assert [source.sum_of_squares for source in study.sources] == pytest.approx(table["sum_sq"].to_numpy())
    assert [source.dof for source in study.sources] == [7, 24, 64]


def test_nested_study_says_what_the_levels_say() -> None:
    values = drawn_nested(np.random.default_rng(5))
    study = nested_study(values)
    repeat, fitting, unit = nested(values, ("unit", "fitting", "repeat"))
    found = [study.component(name).sd for name in ("repeatability", "fitting", "unit")]
    assert found == pytest.approx([repeat.component_sd, fitting.component_sd, unit.component_sd])
    both = study.component("repeatability").variance + study.component("fitting").variance
    assert study.component("gage").variance == pytest.approx(both)
    assert study.component("reproducibility").variance == study.component("fitting").variance


def test_nested_intervals_cover_what_was_put_in() -> None:
    rng = np.random.default_rng(6)
    truth = {"unit": 4.0, "fitting": 1.0, "repeatability": 0.25, "gage": 1.25, "total": 5.25}
    hits = dict.fromkeys(truth, 0)
    for _ in range(400):
        study = nested_study(drawn_nested(rng))
        for name, value in truth.items():
            hits[name] += study.component(name).lower <= value <= study.component(name).upper
    # 95 % of 400 are 380; the binomial standard deviation is 4.4.
    assert {name: count >= 364 for name, count in hits.items()} == dict.fromkeys(truth, True)


def test_units_of_an_operator_are_no_part_of_the_gage() -> None:
    rng = np.random.default_rng(7)
    values = rng.normal(0, 0.2, (4, 1, 1)) + rng.normal(0, 5, (4, 6, 1)) + rng.normal(0, 0.5, (4, 6, 2))
    study = nested_study(values, outer="operator", inner="unit")
    both = study.component("repeatability").variance + study.component("operator").variance
    assert study.component("gage").variance == pytest.approx(both)
    assert study.component("unit").sd == pytest.approx(5, rel=0.4)
    with pytest.raises(ValueError, match="one level of a nested study is the unit"):
        nested_study(values, outer="operator", inner="fitting")


@pytest.mark.published(
    "D5 within-run standard deviation of this probe",
    source=NIST_GAUGE,
    how="read",
    differs="the 0.0710 of all probes rests on measurements that are not at hand; that of this probe is recomputed",
)
def test_nist_within_run() -> None:
    with (DATA / "nist_check_std.csv").open() as file:
        squares = [float(row[key]) ** 2 for row in csv.DictReader(file) for key in ("A1SD", "B1SD", "A2SD", "B2SD")]
    assert math.sqrt(math.fsum(squares) / len(squares)) == pytest.approx(0.0774, abs=5e-5)


@pytest.mark.published(
    "D6 Type A budget from the nested study", source="NIST/SEMATECH e-Handbook 2.6.3", how="from memory"
)
def test_nist_budget_of_the_nested_study() -> None:
    """Terms as read, totals from memory: a² · s² with the degrees of freedom of each level."""
    terms = [(0.0, 0.0710, 300), (5 / 6, 0.0362, 50), (1.0, 0.0197, 5), (0.1, 0.0161, 9)]
    contributions = [(math.sqrt(a2) * s, float(dof)) for a2, s, dof in terms]
    u = math.hypot(*(one for one, _ in contributions))
    dof = welch_satterthwaite(u, contributions)
    assert u == pytest.approx(0.0388, abs=5e-5)
    assert dof == pytest.approx(42, abs=0.5)
    assert dof is not None
    k = coverage_factor(0.95, round(dof))  # the handbook rounds; the GUM truncates, to 41 here
    assert k == pytest.approx(2.018, abs=1e-3)
    assert k * u == pytest.approx(0.078, abs=5e-4)


def range_moments(count: int) -> tuple[float, float]:
    """Mean and root mean square of the range of so many standard normal values: d2 and d2* of one group."""
    from scipy.integrate import trapezoid
    from scipy.stats import norm

    x = np.linspace(-9, 9, 1801)
    r = np.linspace(0, 14, 1401)
    inside = norm.cdf(x[None, :] + r[:, None]) - norm.cdf(x)[None, :]
    exceeds = 1 - count * trapezoid(norm.pdf(x) * inside ** (count - 1), x, axis=1)
    return float(trapezoid(exceeds, r)), math.sqrt(2 * float(trapezoid(r * exceeds, r)))


@pytest.mark.published("3.1 factors of the average and range method", source=AIAG, how="read")
def test_factors_of_average_and_range() -> None:
    """K1 is 1/d2, of many ranges; K2 and K3 are 1/d2*, of one range: rounded to four digits, none mixed up."""
    assert {count: pytest.approx(1 / range_moments(count)[0], abs=6e-5) for count in K1} == K1
    factors = {**K2, **K3}
    assert {count: pytest.approx(1 / range_moments(count)[1], abs=6e-5) for count in factors} == factors
    assert STUDY_SIGMAS == 6  # not 5.15, with which older factors (4.56, 3.05 …) circulate


def test_bias_and_linearity_agree_with_scipy() -> None:
    from scipy import stats

    readings = np.random.default_rng(2).normal(10.02, 0.05, 12)
    found = bias(12, float(readings.mean()), float(readings.std(ddof=1)), 10.0)
    theirs = stats.ttest_1samp(readings, 10.0)
    interval = theirs.confidence_interval(0.95)
    assert (found.t, found.p) == pytest.approx((theirs.statistic, theirs.pvalue))
    assert (10 + found.lower, 10 + found.upper) == pytest.approx((interval.low, interval.high))
    references = [7.0, 9.0, 11.0, 13.0, 15.0]
    biases = [0.49, 0.16, 0.02, -0.28, -0.61]
    ours, line = linearity(references, biases), stats.linregress(references, biases)
    assert (ours.slope, ours.intercept, ours.slope_p) == pytest.approx((line.slope, line.intercept, line.pvalue))


@pytest.mark.published("D7 bias, not significant", source="AIAG MSA 4th ed., bias example (hardness)", how="read")
def test_bias_not_significant() -> None:
    found = bias(15, 36.00667, 0.21202, 36.0)
    assert found.bias == pytest.approx(0.00667, abs=5e-6)
    assert (36 + found.lower, 36 + found.upper) == pytest.approx((35.88925, 36.12408), abs=1e-4)
    assert not found.is_significant


@pytest.mark.published("D9 linearity from part biases", source="AIAG MSA 4th ed., linearity example", how="read")
def test_linearity_from_part_biases() -> None:
    found = linearity([7, 9, 11, 13, 15], [0.49, 0.16, 0.02, -0.28, -0.61])
    assert found.slope == pytest.approx(-0.132, abs=5e-4)
    assert found.intercept == pytest.approx(1.408, abs=5e-4)
    assert found.over(6) == pytest.approx(0.792, abs=5e-4)
