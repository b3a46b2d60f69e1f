"""One random stream per named thing, so that a new reading never shifts the noise of the others."""

import random


class Streams:
    """Random numbers by name.

    Args:
        key: what the streams depend on, for example ``(seed, serial, attempt)``.
    """

    def __init__(self, *key: object) -> None:
        self.key = "/".join(str(part) for part in key)
        self._streams: dict[str, random.Random] = {}
        self._fixed: dict[str, float] = {}

    def _stream(self, name: str) -> random.Random:
        stream = self._streams.get(name)
        if stream is None:
            stream = self._streams[name] = random.Random(f"{self.key}/{name}")
        return stream

    def gauss(self, name: str) -> float:
        """Standard normal."""
        return self._stream(name).gauss(0.0, 1.0)

    def uniform(self, name: str, low: float = 0.0, high: float = 1.0) -> float:
        """Uniform in [low, high)."""
        return low + (high - low) * self._stream(name).random()

    def index(self, name: str, below: int) -> int:
        """A whole number from 0, less than `below`."""
        return int(self._stream(name).random() * below)

    def fixed(self, name: str) -> float:
        """Uniform in [−1, 1), the same number whenever it is asked: a fixed error's share of its limits."""
        share = self._fixed.get(name)
        if share is None:
            share = self._fixed[name] = 2.0 * random.Random(f"{self.key}/{name}/fixed").random() - 1.0
        return share
