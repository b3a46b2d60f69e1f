"""What a limits file promises before anything is measured: ratios, improvements, zones that are empty."""

import math
from dataclasses import replace

import pytest

from hil.app.expected import Expected, expected_rows, refuse_empty_zones, weak_limits
from hil.app.locate import load_bench, load_kit
from hil.core.budget import budget
from hil.core.inputs import normal, rectangular
from hil.core.limit import Limit, Place, Rule, Tolerance
from hil.core.plan import PlannedRow
from hil.errors import FileError

TODAY = "2026-11-25"
BENCH = load_bench("simulated")
KIT = load_kit("demo", today=TODAY)


def planned(name: str, needs: str = "meter part", part: str | None = None) -> PlannedRow:
    return PlannedRow(
        name=name, check="test_x.py::test_x", group="x", needs=tuple(needs.split()), power="on", after=(), seconds=1.0,
        part=part,
    )  # fmt: skip


def part_limit(name: str, tolerance: Tolerance, **more: object) -> Limit:
    part = KIT[name]
    made = Limit(name=name, unit=part.unit, part=name, tolerance=tolerance, place=Place(file="x.toml", line=7), **more)  # type: ignore[arg-type]
    return made.around(part.value)


def rows(*limits: Limit) -> tuple[Expected, ...]:
    return expected_rows(limits, BENCH, KIT, [planned(limit.name, part=limit.part) for limit in limits], TODAY)


def test_each_row_has_the_budget_of_a_reading_at_the_centre_of_its_limit() -> None:
    (row,) = rows(part_limit("c_100p", Tolerance(relative=0.01, absolute=0.3e-12)))
    assert row.budget is not None
    assert row.budget.value == pytest.approx(0.0, abs=1e-14)
    assert row.ratio == pytest.approx(1.303e-12 / row.budget.expanded_uncertainty, rel=1e-3)
    assert row.averaged is None
    assert row.decides


def test_texts_and_rows_that_are_not_planned_are_left_out() -> None:
    text = Limit(name="model", expected="QM-2")
    assert expected_rows([text], BENCH, KIT, [planned("model"), planned("other")], TODAY) == ()


def test_the_repeat_stage_has_a_budget_of_its_own() -> None:
    rule = Rule(kind="guard_band", binary=False, repeats=4)
    (row,) = rows(part_limit("c_1u", Tolerance(relative=0.02), rule=rule))
    assert row.budget is not None
    assert row.averaged is not None
    assert row.averaged.type_a_uncertainty == pytest.approx(row.budget.type_a_uncertainty / 2)


def test_a_one_sided_limit_has_no_ratio() -> None:
    limit = Limit(name="f_open", unit="Hz", upper=600e3)
    (row,) = expected_rows([limit], BENCH, KIT, [planned("f_open", "meter")], TODAY)
    assert (row.budget is not None, row.ratio, row.improvement(4.0), row.decides) == (True, None, "", True)


def made(*inputs: object, half: float = 1.0) -> Expected:
    found = budget(lambda *terms: sum(terms), inputs)  # type: ignore[arg-type]
    return Expected(limit=Limit(name="x", lower=-half, upper=half), budget=found)


def test_what_would_have_to_improve_reaches_the_ratio() -> None:
    row = made(rectangular("voltmeter: accuracy", 0.0, 0.5), normal("rest", 0.0, 0.05))
    assert row.ratio is not None
    assert row.ratio < 4
    assert row.improvement(1.0) == ""
    said = row.improvement(4.0)
    assert said == "voltmeter: accuracy (97% of the variance) 2.5 times smaller"
    better = made(rectangular("voltmeter: accuracy", 0.0, 0.5 / 2.5), normal("rest", 0.0, 0.05))
    assert better.ratio == pytest.approx(4.0, rel=0.03)


def test_one_row_alone_may_not_be_enough() -> None:
    row = made(normal("a", 0.0, 0.5), normal("b", 0.0, 0.5))
    assert row.improvement(4.0) == "a (50% of the variance) alone is not enough"
    assert not row.decides


def test_what_scatters_can_be_averaged() -> None:
    row = made(normal("meter: repeatability", 0.0, 0.25, kind="A"))
    assert (
        row.improvement(4.0)
        == "meter: repeatability (100% of the variance) 2.0 times smaller, or the mean of 4 readings"
    )
    assert made(normal("a", 0.0, 0.127)).improvement(4.0) == "a (100% of the variance) slightly smaller"


def test_weak_limits_come_worst_first() -> None:
    good, bad, worse = (made(normal("a", 0.0, u)) for u in (0.01, 0.3, 0.6))
    assert weak_limits([good, bad, worse], 4.0) == (worse, bad)
    assert weak_limits([good], math.inf) == (good,)


def refused(limit: Limit) -> str:
    with pytest.raises(FileError) as caught:
        refuse_empty_zones([limit], BENCH, KIT, [planned(limit.name, part=limit.part)], TODAY)
    return str(caught.value)


def test_a_tolerance_narrower_than_both_guard_bands_is_refused() -> None:
    narrow = part_limit("c_100p", Tolerance(absolute=0.07e-12), rule=Rule(kind="guard_band"))
    assert refused(narrow) == (
        "x.toml:7: limit.c_100p: no acceptance zone is left: U = 90 fF makes the guard bands wider than the tolerance. "
        "What would help: part: certificate (42% of the variance) 4.0 times smaller; or another rule or limit. "
        "'hil limits ratios' lists every such limit."
    )
    risk = part_limit("c_100p", Tolerance(absolute=0.02e-12), rule=Rule(kind="specific_risk", max_risk=0.01))
    assert refused(risk).startswith("x.toml:7: limit.c_100p: no acceptance zone is left")


def test_zones_that_are_not_empty_pass() -> None:
    wide = part_limit("c_100p", Tolerance(absolute=0.2e-12), rule=Rule(kind="guard_band"))
    simple = replace(wide, rule=Rule(), lower=wide.nominal, upper=wide.nominal, tolerance=None)
    plan = [planned("c_100p", part="c_100p")]
    refuse_empty_zones([wide], BENCH, KIT, plan, TODAY)
    refuse_empty_zones([simple], BENCH, KIT, plan, TODAY)
