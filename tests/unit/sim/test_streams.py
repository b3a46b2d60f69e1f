"""Random streams by name."""

import statistics

from hil.sim.streams import Streams


def test_a_new_reading_does_not_shift_the_others() -> None:
    plain = Streams(1, "QM2-0001", 1)
    first = [plain.gauss("voltmeter") for _ in range(3)]
    other = Streams(1, "QM2-0001", 1)
    second = []
    for _ in range(3):
        other.gauss("counter")
        second.append(other.gauss("voltmeter"))
    assert first == second


def test_seed_serial_and_attempt_all_count() -> None:
    keys = [(1, "A", 1), (2, "A", 1), (1, "B", 1), (1, "A", 2)]
    assert len({Streams(*key).gauss("x") for key in keys}) == 4


def test_shapes() -> None:
    streams = Streams("shape")
    normal = [streams.gauss("n") for _ in range(4000)]
    assert abs(statistics.fmean(normal)) < 0.05
    assert abs(statistics.stdev(normal) - 1) < 0.05
    assert all(2 <= streams.uniform("u", 2, 3) < 3 for _ in range(100))
    assert {streams.index("i", 3) for _ in range(100)} == {0, 1, 2}


def test_a_fixed_error_stays_and_is_a_share_of_its_limits() -> None:
    streams = Streams(7, "bench")
    assert streams.fixed("voltmeter.voltage.gain") == streams.fixed("voltmeter.voltage.gain")
    assert all(-1 <= streams.fixed(str(number)) < 1 for number in range(200))
