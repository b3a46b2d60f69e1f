"""Simulated time."""

from datetime import UTC, datetime

import pytest

from hil.sim.clock import SimClock


def test_time_moves_only_when_somebody_waits() -> None:
    clock = SimClock(datetime(2026, 11, 2, 8, 0, tzinfo=UTC))
    assert (clock.monotonic_s(), clock.now()) == (0.0, "2026-11-02T08:00:00.000+00:00")
    clock.sleep(61.25)
    assert (clock.monotonic_s(), clock.now()) == (61.25, "2026-11-02T08:01:01.250+00:00")


def test_time_does_not_run_backwards() -> None:
    with pytest.raises(ValueError, match=r"time does not run backwards: sleep\(-1\)"):
        SimClock().sleep(-1)
    with pytest.raises(ValueError, match="a start with a time zone"):
        SimClock(datetime(2026, 11, 2, 8, 0))
