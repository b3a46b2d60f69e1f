"""The clock of a real bench."""

import time
from datetime import UTC, datetime


class WallClock:
    """A `hil.ports.Clock` that is the computer's own.

    Args:
        speed: bench seconds per second of the wall; more than 1 only where the bench is a simulated one behind real
            ports that runs its own time that much faster.

    Raises:
        ValueError: speed is not more than zero.
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be more than zero, not {speed!r}")
        self.speed, self._start_s = speed, time.monotonic()

    def monotonic_s(self) -> float:
        """Bench seconds since the clock was made."""
        return (time.monotonic() - self._start_s) * self.speed

    def now(self) -> str:
        """ISO 8601 with zone and milliseconds; calendar time is never sped up."""
        return datetime.now(UTC).isoformat(timespec="milliseconds")

    def sleep(self, seconds: float) -> None:
        """Wait.

        Raises:
            ValueError: a negative time.
        """
        if not seconds >= 0:
            raise ValueError(f"time does not run backwards: sleep({seconds!r})")
        time.sleep(seconds / self.speed)
