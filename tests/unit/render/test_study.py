"""A study as table, JSON and page."""

import io
import json
from typing import Any

import numpy as np
import pytest

from hil.core.records import Reading, Verdict
from hil.core.study import Design, StudyPlan, draw_turns
from hil.core.study_result import StudyResult, evaluate
from hil.render.study import described, plot, print_study, study_json

ROWS = ("c_1n", "contact", "flat", "gone")


def made(design: Design) -> tuple[StudyPlan, StudyResult]:
    units = ("U1", "U2", "U3", "U4")
    people, fittings = ((), 3) if design is Design.FITTINGS else (("Ann", "Ben"), 0)
    plan = StudyPlan(
        uid="s-1", name="s", design=design, units=units, operators=people, fittings=fittings, repeats=2, seed=1,
        only=(), rows=ROWS, needed=ROWS, board="qm2", scope="full", bench="west", limits_sha256="", simulated=True,
        faults=(),
        made="", turns=draw_turns(design, units, people, fittings=fittings, repeats=2, seed=1),
    )  # fmt: skip
    rng = np.random.default_rng(1)
    fields: dict[str, dict[str, Any]] = {
        "c_1n": {"unit": "F", "nominal": 1e-9, "parts": ("c_1n",), "lower": 0.99e-9, "upper": 1.01e-9},
        "contact": {"unit": "ohm", "upper": 1.0},
        "flat": {"unit": ""},
    }
    sizes = {"c_1n": (1e-9, 1e-12), "contact": (0.1, 0.02), "flat": (1.0, 0.0)}
    readings = {
        name: {
            (i, j, k): Reading(
                name=name, value=float(mean + rng.normal(0, sd)), verdict=Verdict.PASS, simulated=True, time="",
                **fields[name],
            )
            for i, j, k in np.ndindex(*plan.shape)
        }
        for name, (mean, sd) in sizes.items()
    }  # fmt: skip
    return plan, evaluate(plan, readings)


@pytest.mark.parametrize("design", list(Design))
def test_the_table_has_a_verdict_for_each_check(design: Design) -> None:
    plan, result = made(design)
    out = io.StringIO()
    print_study(result, plan, out)
    text = out.getvalue()
    assert text.startswith(described(plan) + "  SIMULATED")
    for name in ROWS:
        assert name in text
    size = int(np.prod(plan.shape))
    assert f"{size} of {size} readings are missing" in text
    assert "all readings are equal" in text
    assert "1 not evaluated" in text


@pytest.mark.parametrize("design", list(Design))
def test_the_json_is_json_and_holds_everything(design: Design) -> None:
    plan, result = made(design)
    data = json.loads(json.dumps(study_json(result, plan), allow_nan=False))
    assert (data["format"], data["study"], data["design"], data["seed"]) == (1, "s", design.value, 1)
    rows = {row["name"]: row for row in data["checks"]}
    assert rows["c_1n"]["bias"]["part"] == "c_1n"
    assert rows["gone"]["anova"] is None
    assert np.shape(rows["contact"]["readings"]) == plan.shape
    component = rows["contact"]["anova"]["components"]["repeatability"]
    assert component["sd_lower"] < component["sd"] < component["sd_upper"]
    by_range = rows["contact"]["average_range"]
    if design is Design.CROSSED:  # the range method has no intervals
        assert by_range["components"]["repeatability"]["sd"] == pytest.approx(component["sd"], rel=0.5)
        assert by_range["components"]["repeatability"]["sd_upper"] is None
    else:
        assert by_range is None


@pytest.mark.parametrize(
    ("design", "file_format", "begins"),
    [(Design.CROSSED, "png", b"\x89PNG"), (Design.NESTED, "svg", b"<?xml"), (Design.FITTINGS, "pdf", b"%PDF")],
)
def test_the_page_is_drawn_for_every_design(design: Design, file_format: str, begins: bytes) -> None:
    plan, result = made(design)
    assert plot(result, plan, file_format=file_format).startswith(begins)


def test_a_page_without_a_single_result_is_still_a_page() -> None:
    plan, _ = made(Design.CROSSED)
    assert plot(evaluate(plan, {}), plan).startswith(b"\x89PNG")
