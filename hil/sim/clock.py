"""Simulated time: it moves only when somebody sleeps or waits for an answer."""

from datetime import UTC, datetime, timedelta

START = datetime(2026, 11, 2, 8, 0, tzinfo=UTC)


class SimClock:
    """A `hil.ports.Clock` whose time costs nothing.

    Args:
        start: what the calendar says at second zero; needs a time zone.
    """

    def __init__(self, start: datetime = START) -> None:
        if start.tzinfo is None:
            raise ValueError("a clock needs a start with a time zone")
        self._start, self._elapsed_s = start, 0.0

    def monotonic_s(self) -> float:
        """Seconds since the start."""
        return self._elapsed_s

    def now(self) -> str:
        """ISO 8601 with zone and milliseconds."""
        return (self._start + timedelta(seconds=self._elapsed_s)).isoformat(timespec="milliseconds")

    def sleep(self, seconds: float) -> None:
        """Move time on.

        Raises:
            ValueError: a negative time.
        """
        if not seconds >= 0:
            raise ValueError(f"time does not run backwards: sleep({seconds!r})")
        self._elapsed_s += seconds
