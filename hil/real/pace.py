"""Bench time against the time of the libraries that wait for us.

On a real bench both are the same, and on the simulated one in process the libraries wait in simulated time. Only a
simulated bench behind real ports may run its time faster; then a time limit in bench seconds is divided by the speed,
and the computer's own latencies get a grace that the speed must not shrink.
"""

from dataclasses import dataclass

GRACE_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Bench seconds per second of waiting.

    Args:
        speed: 1.0 wherever an instrument is real.
    """

    speed: float = 1.0

    def __post_init__(self) -> None:
        if not self.speed > 0:
            raise ValueError(f"speed must be more than zero, not {self.speed!r}")

    def limit_s(self, bench_seconds: float) -> float:
        """How long to wait for what is due within some bench seconds."""
        return bench_seconds / self.speed + (GRACE_S if self.speed > 1 else 0.0)
