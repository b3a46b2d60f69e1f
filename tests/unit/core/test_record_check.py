"""What contradicts itself is found, and what is sound is left alone."""

from dataclasses import replace

import pytest

from hil.core.record_check import check_history, check_run
from hil.core.records import PartUsed, Run, RunSummary, UnitVerdict, Verdict


@pytest.fixture
def run(opened, reading, closed):
    return Run(opened=opened, readings=(reading, replace(reading, name="b")), closed=closed)


def said(run):
    return [str(finding) for finding in check_run(run)]


def with_reading(run, **changes):
    return replace(run, readings=(replace(run.readings[0], **changes), *run.readings[1:]))


def test_a_sound_run(run):
    assert said(run) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"value": 1.95}, "a: passed, but 1.95 lies outside of its limits"),
        ({"value": 1.5, "expanded_uncertainty": 0.0}, "a: its expanded uncertainty is 0.0"),
        ({"expected": "x", "value": "y"}, "a: is pass, but 'y' was read and 'x' expected"),
        ({"value": None}, "a: is pass without a value or a reason"),
        ({"simulated": False}, "a: mixes simulated and real data in one run"),
    ],
)
def test_readings(run, changes, words):
    assert said(with_reading(run, **changes)) == [f"error: R1: {words}"]


def test_reading_that_failed_inside_its_limits(run):
    failed = with_reading(run, verdict=Verdict.FAIL)
    assert said(failed)[0] == "error: R1: a: failed, but 1.5 lies inside of its limits"


def test_value_that_was_not_measured(run):
    odd = with_reading(run, verdict=Verdict.NOT_MEASURED)
    assert said(odd)[0] == "error: R1: a: has a value, but is not measured"


@pytest.mark.parametrize(
    ("part", "changes", "words"),
    [
        (
            "closed",
            {"verdict": UnitVerdict.FAIL},
            "error: R1: was closed as FAIL, but its readings say PASS (all passed)",
        ),
        ("closed", {"judged": 3}, "error: R1: its closing counts 3 judged readings, but 2 are there"),
        ("closed", {"planned": 3}, "error: R1: its closing counts 3 planned rows, but 2 were planned"),
        ("opened", {"attempt": 2}, "warning: R1: attempt 2 has no reason"),
        ("opened", {"attempt": 4, "retest_reason": "r"}, "error: R1: attempt 4 of 3 allowed"),
        (
            "opened",
            {"opened": "2026-11-25T10:00:05.000+01:00"},
            "warning: R1: the clock went back 4 s between opening and a",
        ),
        ("opened", {"opened": "yesterday"}, "error: R1: holds a time that is not an ISO 8601 time with zone"),
        (
            "opened",
            {"parts": (PartUsed(name="c_1p", value=1.0, unit="F", expanded_uncertainty=1.0, due="2026-11-24"),)},
            "error: R1: c_1p was overdue since 2026-11-24; trace what rests on it with 'hil trace c_1p'",
        ),
        ("opened", {"parts": ()}, "warning: R1: a: rests on c_1p, which is not among the parts of the run"),
    ],
)
def test_opening_and_closing(run, part, changes, words):
    assert words in said(replace(run, **{part: replace(getattr(run, part), **changes)}))


def test_trouble_may_leave_a_good_run_incomplete_but_never_hides_a_fail(run):
    incomplete = replace(run, closed=replace(run.closed, verdict=UnitVerdict.INCOMPLETE))
    assert said(incomplete) == []
    hidden = with_reading(incomplete, verdict=Verdict.FAIL, value=2.5)
    assert said(hidden) == ["error: R1: was closed as INCOMPLETE, but its readings say FAIL (failed: a)"]


def test_rows_nobody_planned_or_twice(run):
    twice = replace(run, readings=(*run.readings, run.readings[0], replace(run.readings[0], name="z")))
    assert said(twice)[:2] == [
        "error: R1: z: was recorded but never planned",
        "error: R1: a: is recorded twice; its run cannot pass",
    ]


SUMMARY = RunSummary(
    run_no=1, run="R1", serial="S1", board="qm2", attempt=1, scope="full", only="", lot="L1", operator="", bench="west",
    simulated=False, opened="", opened_at=100.0, limits_revision="A", limits_sha256="", suite_version="",
    is_closed=True, verdict=UnitVerdict.PASS, reason="", planned=1, judged=1, planned_seconds=1.0, actual_seconds=1.0,
)  # fmt: skip


def history(*changes):
    runs = [
        replace(SUMMARY, run_no=index, run=f"R{index}", **{"attempt": index, "opened_at": 100.0 * index, **one})
        for index, one in enumerate(changes, start=1)
    ]
    return [str(finding) for finding in check_history(runs)]


def test_sound_history():
    assert history({}, {}, {"serial": "S2", "attempt": 1}) == []


@pytest.mark.parametrize(
    ("second", "words"),
    [
        ({"board": "qm3"}, "error: S1: is recorded as qm2 and as qm3: two boards share a serial number"),
        ({"lot": "L2"}, "warning: S1: changed its lot: L1, then L2; lot figures count it in each"),
        ({"attempt": 1}, "warning: S1: attempt 1 of scope full was completed 2 times"),
        (
            {"attempt": 1, "bench": "east"},
            "warning: S1: attempt 1 of scope full was made on the benches east and west; their records were kept apart",
        ),
        (
            {"opened_at": 50.0},
            "warning: R2: the clock of bench west went back: R1 was recorded before, but is dated later",
        ),
    ],
)
def test_history(second, words):
    assert history({}, second) == [words]
