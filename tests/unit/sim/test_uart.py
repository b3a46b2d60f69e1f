"""Speeds that differ on a serial line."""

from hypothesis import given
from hypothesis import strategies as st

from hil.sim.uart import resample

TEXT = b"QM-2 1.0.0 ready\n"


@given(st.binary(max_size=40), st.floats(0.965, 1.035))
def test_a_small_difference_does_no_harm(data: bytes, ratio: float) -> None:
    assert resample(data, 38_400 * ratio, 38_400) == data


def test_eight_times_too_slow_is_garbage() -> None:
    heard = resample(TEXT, 4_800, 38_400)
    assert b"QM" not in heard
    assert len(heard) > len(TEXT)  # every slow byte has several falling edges for a fast receiver


def test_eight_times_too_fast_is_garbage() -> None:
    heard = resample(TEXT, 307_200, 38_400)
    assert b"QM" not in heard
    assert len(heard) < len(TEXT)


def test_a_tenth_too_fast_breaks_the_last_bits() -> None:
    assert resample(b"\x55" * 8, 38_400 * 1.1, 38_400) != b"\x55" * 8


def test_a_known_frame() -> None:
    """At half the speed of the receiver 0xFF has one long start bit: two receiver bits low, then high."""
    assert resample(b"\xff", 19_200, 38_400) == b"\xfe"


def test_nobody_runs() -> None:
    assert resample(TEXT, 0.0, 38_400) == b""
