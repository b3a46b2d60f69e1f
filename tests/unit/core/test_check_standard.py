"""Check standards: short histories, what stops a bench and what does not, and how often it does so wrongly."""

import numpy as np
import pytest

from hil.core.check_standard import BASELINE, Control, Point, Series, control_of, expected


def series(values: list[float], *, least: float = 0.0, bad: tuple[int, ...] = (), restarts: tuple[int, ...] = ()):
    points = tuple(
        Point(time=f"2026-{1 + day // 28:02}-{1 + day % 28:02}T08:00:00+00:00", value=value, good=day not in bad)
        for day, value in enumerate(values)
    )
    return Series(name="part", unit="F", points=points, least=least, restarts=restarts)


def steady(seed: int = 1, count: int = BASELINE) -> list[float]:
    return np.random.default_rng(seed).normal(10.0, 0.1, count).tolist()


def test_no_history_says_nothing_and_a_short_one_predicts_the_next_reading() -> None:
    assert expected(series([])) is None
    assert expected(series([10.0, 10.1])) is None
    zone = expected(series([10.0, 10.1, 9.9]))
    assert zone is not None
    assert 10.0 in zone
    few = control_of(series([10.0, 10.1, 9.9]))
    assert (few.centre, few.monitored, few.in_control, few.limits) == (None, (), True, zone)
    assert not few.series.is_established


def test_limits_come_from_the_first_good_readings_and_stay() -> None:
    values = steady(count=BASELINE + 1)
    control = control_of(series(values, bad=(3,)))
    good = [value for day, value in enumerate(values) if day != 3]
    assert control.series.is_established
    assert control.centre == pytest.approx(np.mean(good))
    moving = np.abs(np.diff(good)).mean() / 1.128
    assert control.sigma == pytest.approx(max(np.std(good, ddof=1), moving))
    assert control.monitored == ()
    later = control_of(series([*values, *(value + 0.02 for value in steady(2, 50))], bad=(3,)))
    assert (later.centre, later.sigma) == (control.centre, control.sigma)
    assert len(later.monitored) == 50


def test_readings_that_agree_within_the_resolution_are_no_reason_to_stop() -> None:
    control = control_of(series([10.0] * BASELINE + [10.001, 9.999] * 20, least=0.01))
    assert control.sigma == pytest.approx(0.01 / 3)
    assert control.in_control
    assert control_of(series([10.0] * 40, least=0.01)).in_control
    constant = control_of(series([10.0] * BASELINE + [10.1], least=0.01))
    assert [stop.rule for stop in constant.stops] == [
        "individual beyond its limit",
        "EWMA beyond its limit",
        "CUSUM high",
    ]


def test_one_reading_far_off_stops_at_once_and_a_small_shift_after_some() -> None:
    values = steady()
    far = control_of(series([*values, 11.0]))
    assert far.stops[0].rule == "individual beyond its limit"
    assert far.stops[0].time == far.stops[0].since == far.series.points[-1].time
    quiet = [9.9, 10.1] * 10  # sigma from the moving range: 0.2/1.128
    shifted = control_of(series([*quiet, *quiet[:10], *[10.35] * 8]))
    assert [stop.rule for stop in shifted.stops] == ["CUSUM high", "EWMA beyond its limit"]
    assert shifted.stops[0].since == shifted.series.points[BASELINE + 10].time


def test_what_was_accounted_for_no_longer_stops_and_a_fault_that_is_still_there_fires_again() -> None:
    values = [*steady(), 11.0, *steady(5, 3)]
    assert not control_of(series(values)).in_control  # a good reading after a bad one explains nothing
    cleared = control_of(series(values, restarts=(BASELINE + 1,)))
    assert cleared.in_control
    assert next(stop.rule for stop in cleared.past) == "individual beyond its limit"
    assert control_of(series([*values, 11.0], restarts=(BASELINE + 1,))).stops
    before_any_other_reading = control_of(series([*steady(), 11.0], restarts=(BASELINE + 1,)))
    assert before_any_other_reading.in_control
    assert before_any_other_reading.past


def test_odd_patterns_warn_and_stop_nothing() -> None:
    rising = [10.0 + 0.02 * step for step in range(6)]
    control = control_of(series([*steady(), *rising]))
    assert control.in_control
    assert any(words.startswith("6 rising or falling") for words in control.warnings)


def share_stopped(shift: float, *, count: int, checks: int = 250) -> tuple[float, float]:
    """Share of benches stopped within so many checks, and the median number of checks until then."""
    generator = np.random.default_rng(20261125)
    found = []
    for _ in range(count):
        values = generator.normal(size=BASELINE + checks)
        values[BASELINE:] += shift
        control: Control = control_of(series_quick(values.tolist()))
        at = [int(stop.time) - BASELINE + 1 for stop in control.stops]
        found.append(min(at, default=checks + 1))
    return float(np.mean(np.array(found) <= checks)), float(np.median(found))


def series_quick(values: list[float]) -> Series:
    points = tuple(Point(time=f"{day:05}", value=value) for day, value in enumerate(values))
    return Series(name="part", unit="", points=points, least=0.0)


@pytest.mark.parametrize(("shift", "median"), [(1.0, 22), (2.0, 6), (3.0, 4)])
def test_shifts_are_found_as_soon_as_the_docstring_says(shift: float, median: float) -> None:
    stopped, after = share_stopped(shift, count=100, checks=80)
    assert stopped > 0.6
    assert after <= 1.5 * median


@pytest.mark.study
def test_a_bench_that_stays_the_same_is_rarely_stopped() -> None:
    wrongly, _ = share_stopped(0.0, count=1500)
    assert wrongly < 0.15  # within a year; the textbook's widths: 0.72
    for shift, median in ((1.0, 24), (2.0, 7), (3.0, 4)):
        stopped, after = share_stopped(shift, count=400)
        assert stopped > 0.9
        assert after <= median
