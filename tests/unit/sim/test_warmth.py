"""Temperatures of room and board."""

import pytest

from hil.sim.streams import Streams
from hil.sim.warmth import Warmth


def test_the_board_warms_up_and_cools_down() -> None:
    warmth = Warmth(23.0, Streams("room"))

    def rise_k(at_s: float) -> float:
        return warmth.board_degc(at_s) - warmth.ambient_degc(at_s)

    assert rise_k(0) == 0
    warmth.set_power(0.25, 0.0)
    assert 0 < rise_k(30) < rise_k(300) < rise_k(3000)
    assert rise_k(10_000) == pytest.approx(3.5, rel=1e-6)
    before = rise_k(150)
    warmth.set_power(0.0, 150.0)
    assert rise_k(150) == pytest.approx(before)  # no jump
    assert rise_k(300) < before
    warmth.cool_down(400.0)
    assert rise_k(400) == 0


def test_the_room_stays_near_its_mean() -> None:
    warmth = Warmth(21.0, Streams("room"))
    temperatures = [warmth.ambient_degc(60.0 * minute) for minute in range(120)]
    assert max(temperatures) - min(temperatures) > 0.3
    assert all(abs(one - 21.0) <= 0.25 for one in temperatures)
