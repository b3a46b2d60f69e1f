"""The microcontroller around the firmware: power, resets, clock, UART."""

import pytest


def test_silent_and_deaf_for_600_ms_then_ready(board, make_meter) -> None:
    bench = make_meter(board)
    bench.power(5.0)
    bench.run(0.3)
    bench.chip.receive(b"*IDN?\n", bench.at_s)
    bench.run(0.2999)
    assert bench.heard == b""
    bench.run(0.02)
    assert bench.heard == b"QM-2 1.2.3 ready\n"
    assert bench.history[1][0] == pytest.approx(0.065)  # pins are inputs during the start-up time


@pytest.mark.parametrize(
    ("volts", "cause"), [((0.0, 5.0), "POWER"), ((3.0, 5.0), "BROWN"), ((3.0, 1.0, 3.0, 5.0), "POWER")]
)
def test_cause_of_a_reset(meter, volts: tuple[float, ...], cause: str) -> None:
    for step in volts:
        meter.power(step)
        meter.run(0.01)
    meter.run(0.7)
    assert meter.ask("SYST:CAUS?") == cause


def test_brown_out_has_hysteresis(meter) -> None:
    meter.power(4.31)
    assert meter.chip.is_running()
    meter.power(4.29)
    assert not meter.chip.is_running()
    meter.power(4.32)
    assert not meter.chip.is_running()
    meter.power(4.36)
    assert meter.chip.is_running()


def test_a_reset_makes_every_pin_an_input_and_forgets(meter) -> None:
    meter.ask("DIAG:REL1 ON;*OPC?")
    assert meter.chip.drives()["PB0"] == "high"
    meter.chip.reset_pin(True, meter.at_s)
    assert meter.chip.drives() == {}
    meter.run(5.0)
    assert not meter.chip.is_running()
    meter.chip.reset_pin(False, meter.at_s)
    meter.run(0.7)
    assert meter.ask("SYST:CAUS?;:DIAG:REL1?") == "EXTERNAL;OFF"


def test_the_watchdog_ends_a_hang(board, make_meter) -> None:
    bench = make_meter(board, hangs_after_s=2.0)
    bench.power(5.0)
    bench.run(2.8)
    assert bench.ask("SYST:CAUS?") == "WATCHDOG"
    bench.run(2.0)
    assert bench.heard.count(b"ready") == 1  # and again


def test_without_a_crystal_nothing_runs(board, make_meter) -> None:
    board.crystal_hz = 0.0
    bench = make_meter(board)
    bench.power(5.0)
    bench.run(2.0)
    assert (bench.chip.is_running(), bench.heard, bench.chip.baud()) == (False, b"", 0.0)


def test_a_divided_clock_makes_everything_eight_times_slower(board, make_meter) -> None:
    board.crystal_hz /= 8
    bench = make_meter(board)
    bench.power(5.0)
    bench.run(8 * 0.6 - 0.01)
    assert bench.heard == b""
    bench.run(0.2)
    assert bench.heard == b"QM-2 1.2.3 ready\n"
    assert bench.chip.baud() == pytest.approx(38_462 / 8, rel=1e-4)


def test_a_crystal_that_jumps_in_the_middle_of_a_gate_makes_it_longer_from_then_on(meter, board) -> None:
    board.reference_hz = 4e6
    steady = int(meter.ask("MEAS:FREQ?"))
    meter.chip.receive(b"MEAS:FREQ?\n", meter.at_s)
    meter.run(0.5)
    board.crystal_hz *= 1 - 1000e-6
    meter.power(5.0)  # the board was solved anew
    meter.heard = b""
    meter.run(0.6)
    assert int(meter.heard) / steady - 1 == pytest.approx(500e-6, abs=20e-6)


def test_the_uart_runs_0_16_percent_fast(meter) -> None:
    """16 MHz over 16·26 is 38 462 Bd: the error that the data sheet gives for 38.4 kBd."""
    assert meter.chip.baud() == pytest.approx(38_400 * 1.0016, rel=1e-4)


def test_bytes_leave_one_after_the_other(meter) -> None:
    meter.heard = b""
    meter.chip.receive(b"*OPC?;*OPC?\n", meter.at_s)
    meter.run(0.0)
    first_s = meter.chip.next_transmission_s()
    meter.at_s = meter.chip.advance(meter.at_s + 1.0)
    first_s = meter.chip.next_transmission_s()
    assert first_s is not None
    assert meter.chip.transmitted(first_s - 1e-5) == b""
    assert meter.chip.transmitted(first_s + 1e-6) == b"1"
    assert meter.chip.transmitted(first_s + 1.0) == b";1\n"
    assert meter.chip.next_transmission_s() is None


def test_power_off_cuts_a_transmission(meter) -> None:
    meter.chip.receive(b"*IDN?\n", meter.at_s)
    meter.at_s = meter.chip.advance(meter.at_s + 1.0)
    meter.at_s += 0.0025
    meter.power(0.0)
    meter.at_s += 1.0
    assert meter.chip.transmitted(meter.at_s) == b"Quillmere"


def test_the_counter_takes_aliases_of_what_is_too_fast(meter, board) -> None:
    """T0 is sampled once a clock: above half the clock it counts the difference (ATmega328P data sheet, 17.3)."""
    board.reference_hz = 7.9e6
    assert meter.chip.count(0.0, 1.0) == 7_900_000
    board.reference_hz = 9.0e6
    assert meter.chip.count(0.0, 1.0) == 7_000_000


def test_counts_add_up_over_gates(meter, board) -> None:
    board.reference_hz = 1000.3
    counts = [meter.chip.count(float(second), second + 1.0) for second in range(100)]
    assert set(counts) == {1000, 1001}
    assert sum(counts) == pytest.approx(100_030, abs=1)


def test_converter(meter, board) -> None:
    """ADC = Vin·1024/Vref, truncated, 1023 at most (ATmega328P data sheet, 24.7)."""
    board.pack_v = 7.4
    assert meter.chip.adc_mean(0, 16) == int(2.96 * 1024 / 5.0)
    board.pack_v = 20.0
    assert meter.chip.adc_mean(0, 16) == 1023
    board.pack_v = -1.0
    assert meter.chip.adc_mean(0, 16) == 0
