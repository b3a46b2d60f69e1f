"""What was really asked and answered: every driver writes it down, the judge takes it for the reading's raw data."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One question, command or act at the bench.

    Args:
        role: whom it went to.
        asked: what was sent, or what the operator was asked.
        answered: the answer as it came; empty when none is due.
        seconds: how long it took on the bench clock.
        hand_read: a person typed the answer in.
    """

    role: str
    asked: str
    answered: str
    seconds: float
    hand_read: bool = False

    def __str__(self) -> str:
        return f"{self.role}: {self.asked} → {self.answered}" if self.answered else f"{self.role}: {self.asked}"


class Trace:
    """Exchanges since the last `drain`, and the time all of them have taken."""

    def __init__(self) -> None:
        self._exchanges: list[Exchange] = []
        self.instrument_s = 0.0

    def add(self, exchange: Exchange) -> None:
        """Write one exchange down."""
        self._exchanges.append(exchange)
        self.instrument_s += exchange.seconds

    def drain(self) -> tuple[Exchange, ...]:
        """What has been exchanged since the last call; it is forgotten here."""
        exchanges = tuple(self._exchanges)
        self._exchanges.clear()
        return exchanges

    def __len__(self) -> int:
        return len(self._exchanges)
