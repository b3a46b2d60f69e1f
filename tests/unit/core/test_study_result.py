"""What a study says of a check, in numbers and in words."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from hil.core.records import Reading, Verdict
from hil.core.study import Design, StudyPlan, draw_turns
from hil.core.study_result import Fitness, evaluate, fitness_of

UNITS, PEOPLE = tuple(f"U{number}" for number in range(10)), ("Ann", "Ben", "Cy")
RNG = np.random.default_rng(1)


def plan(design: Design = Design.CROSSED, rows: tuple[str, ...] = ("a",)) -> StudyPlan:
    units = UNITS[:9] if design is Design.NESTED else UNITS
    people, fittings = ((), 3) if design is Design.FITTINGS else (PEOPLE, 0)
    return StudyPlan(
        uid="s", name="s", design=design, units=units, operators=people, fittings=fittings, repeats=3, seed=1, only=(),
        rows=rows, needed=rows, board="qm2", scope="full", bench="west", limits_sha256="", simulated=True, faults=(),
        made="", turns=draw_turns(design, units, people, fittings=fittings, repeats=3, seed=1),
    )  # fmt: skip


def readings(values: NDArray[np.float64], **more: Any) -> dict[tuple[int, int, int], Reading]:
    fields: dict[str, Any] = {"unit": "V", "lower": 0.0, "upper": 10.0, **more}
    return {
        (i, j, k): Reading(
            name="a", value=float(values[i, j, k]), verdict=Verdict.PASS, simulated=True, time="", **fields
        )
        for i, j, k in np.ndindex(*values.shape)
    }


def drawn(unit: float, operator: float, repeat: float, mean: float = 5.0) -> NDArray[np.float64]:
    rng = np.random.default_rng(4)
    return np.asarray(
        mean + rng.normal(0, unit, (10, 1, 1)) + rng.normal(0, operator, (1, 3, 1)) + rng.normal(0, repeat, (10, 3, 3))
    )


@pytest.mark.parametrize(
    ("share", "fitness"),
    [
        (0.0, Fitness.FIT),
        (0.1, Fitness.FIT),
        (0.11, Fitness.MARGINAL),
        (0.3, Fitness.MARGINAL),
        (0.31, Fitness.NOT_FIT),
    ],
)
def test_classes(share: float, fitness: Fitness) -> None:
    assert fitness_of(share) is fitness


def test_a_good_bench_is_fit_whatever_the_units_are_like() -> None:
    """Units as alike as the bench can tell: the share of the study is all of it, but the limits are far away."""
    (row,) = evaluate(plan(), {"a": readings(drawn(0.001, 0.0, 0.01))}).rows
    assert row.share_of_tolerance is not None
    assert row.share_of_tolerance[0] == pytest.approx(6 * 0.01 / 10, rel=0.2)
    assert row.share_of_study is not None
    assert row.share_of_study > 0.9
    assert row.fitness is Fitness.FIT
    assert "the bench takes 0.6" in row.words
    assert "repeatability dominates" in row.words


def test_a_habit_dominates_and_the_few_people_leave_it_open() -> None:
    (row,) = evaluate(plan(), {"a": readings(drawn(1.0, 0.25, 0.02))}).rows
    assert row.fitness is Fitness.MARGINAL
    assert "the operators dominate" in row.words
    assert "at most" in row.words
    assert "which would be not fit" in row.words
    assert row.by_range is not None
    assert row.by_range.component("operator").sd == pytest.approx(row.study.component("operator").sd, rel=0.3)  # type: ignore[union-attr]


def test_one_limit_only_counts_the_way_to_it() -> None:
    (row,) = evaluate(plan(), {"a": readings(drawn(0.0, 0.0, 0.1), lower=None)}).rows
    assert row.share_of_tolerance is not None
    assert row.share_of_tolerance[0] == pytest.approx(3 * 0.1 / 5, rel=0.2)
    assert "the way to the limit" in row.words


def test_without_limits_the_study_variation_decides() -> None:
    (row,) = evaluate(plan(), {"a": readings(drawn(1.0, 0.0, 0.5), lower=None, upper=None)}).rows
    assert row.share_of_tolerance is None
    assert row.fitness is Fitness.NOT_FIT
    assert "there are no limits" in row.words


def test_equal_readings_are_fit_and_say_so() -> None:
    (row,) = evaluate(plan(), {"a": readings(np.full((10, 3, 3), 5.0))}).rows
    assert (row.fitness, row.categories) == (Fitness.FIT, 1)
    assert row.words == "all readings are equal: nothing scatters by more than the resolution"


def test_missing_readings_are_counted_not_guessed() -> None:
    some = readings(drawn(1.0, 0.1, 0.1))
    del some[3, 1, 2]
    result = evaluate(plan(rows=("a", "b")), {"a": some})
    assert [row.words for row in result.rows] == ["1 of 90 readings are missing", "90 of 90 readings are missing"]
    assert result.worst is Fitness.UNKNOWN


@pytest.mark.parametrize(("design", "name"), [(Design.NESTED, "operator"), (Design.FITTINGS, "fitting")])
def test_nested_designs(design: Design, name: str) -> None:
    made = plan(design)
    rng = np.random.default_rng(2)
    values = 5 + rng.normal(0, 0.5, (*made.shape[:1], 1, 1)) + rng.normal(0, 0.2, (*made.shape[:2], 1))
    values = values + rng.normal(0, 0.02, made.shape)
    (row,) = evaluate(made, {"a": readings(values)}).rows
    assert row.study is not None
    assert row.study.method == "nested"
    assert row.by_range is None
    assert row.dominant is not None
    assert row.dominant[0] == name


def part_rows(slope: float) -> dict[str, dict[tuple[int, int, int], Reading]]:
    """Reference parts over four decades; the bench reads slope per decade too much."""
    rng = np.random.default_rng(9)
    found = {}
    for decade in range(5):
        nominal = 10.0 ** (decade - 12)
        relative = slope * decade + rng.normal(0, 0.001, (10, 1, 1)) + rng.normal(0, 0.0005, (10, 3, 3))
        found[f"c{decade}"] = readings(
            nominal * (1 + relative), unit="F", nominal=nominal, lower=0.9 * nominal, upper=1.1 * nominal,
            parts=(f"part{decade}",),
        )  # fmt: skip
    return found


def test_bias_and_linearity_against_the_reference_parts() -> None:
    rows = part_rows(0.002)
    uncertainties = {f"part{decade}": 0.0002 * 10.0 ** (decade - 12) for decade in range(5)}
    result = evaluate(plan(rows=tuple(rows)), rows, part_uncertainties=uncertainties)
    (line,) = result.linearity
    assert line.line.slope == pytest.approx(0.002, abs=3 * line.line.u_slope)
    assert line.slope_is_significant
    assert line.words.startswith("the relative bias changes by +0.2")
    last = result.rows[-1].bias
    assert last is not None
    assert last.found.bias == pytest.approx(0.008 * 1e-8, rel=0.2)
    assert last.found.is_significant
    assert not last.is_explained
    assert "biased by 7" in result.rows[-1].words or "biased by 8" in result.rows[-1].words


def test_a_bias_that_the_reference_part_explains_says_so() -> None:
    rows = part_rows(0.002)
    uncertainties = {f"part{decade}": 0.02 * 10.0 ** (decade - 12) for decade in range(5)}
    result = evaluate(plan(rows=tuple(rows)), rows, part_uncertainties=uncertainties)
    assert "which the uncertainty of that part explains" in result.rows[-1].words
    assert not result.linearity[0].slope_is_significant
    assert result.linearity[0].words.startswith("no slope is seen")
