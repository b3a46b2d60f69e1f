"""Temperature of the room and of the board, which its own power warms up."""

import math

from hil.sim.streams import Streams

_RISE_K_PER_W, _TIME_CONSTANT_S = 14.0, 150.0
_ROOM_SWING_K, _ROOM_PERIOD_S = 0.25, 2700.0


class Warmth:
    """One lag between room and board.

    Args:
        ambient_degc: mean temperature of the room.
        fixed: where the phase of the room's swing comes from.
    """

    def __init__(self, ambient_degc: float, fixed: Streams) -> None:
        self._mean_degc = ambient_degc
        self._phase = math.pi * fixed.fixed("room.phase")
        self._since_s, self._rise_k, self._power_w = 0.0, 0.0, 0.0

    def ambient_degc(self, at_s: float) -> float:
        """Air at the jig, degC."""
        return self._mean_degc + _ROOM_SWING_K * math.sin(2 * math.pi * at_s / _ROOM_PERIOD_S + self._phase)

    def board_degc(self, at_s: float) -> float:
        """The board, degC."""
        return self.ambient_degc(at_s) + self._rise_at(at_s)

    def _rise_at(self, at_s: float) -> float:
        final_k = self._power_w * _RISE_K_PER_W
        return final_k + (self._rise_k - final_k) * math.exp(-(at_s - self._since_s) / _TIME_CONSTANT_S)

    def set_power(self, power_w: float, at_s: float) -> None:
        """The board takes this power from now on, W."""
        if power_w != self._power_w:
            self._rise_k, self._since_s, self._power_w = self._rise_at(at_s), at_s, power_w

    def cool_down(self, at_s: float) -> None:
        """Another board, as warm as the room."""
        self._rise_k, self._since_s, self._power_w = 0.0, at_s, 0.0
