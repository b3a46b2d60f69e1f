"""The meter's behaviour, point by point of fixtures/firmware/bench_port.md."""

import math

import pytest

from hil.sim.meter_constants import erased


def test_identity_of_a_blank_unit_and_its_serial_number(meter) -> None:
    assert meter.ask("*IDN?") == "Quillmere Instruments,QM-2,0,1.2.3"
    meter.ask('SYST:SER "";:SYST:SER "qm2"', seconds=0.05)
    assert meter.ask('SYST:SER "QM2-0123456789A";:SYST:SER?;*IDN?') == (
        '"QM2-0123456789A";Quillmere Instruments,QM-2,QM2-0123456789A,1.2.3'
    )
    assert meter.ask('SYST:SER "OTHER";:SYST:SER?') == '"QM2-0123456789A"'
    assert [meter.ask("SYST:ERR?") for _ in range(4)] == [
        '-222,"Data out of range"', '-222,"Data out of range"', '-203,"Command protected"', '0,"No error"',
    ]  # fmt: skip


def test_reading_needs_a_calibration(meter) -> None:
    assert meter.ask("READ?") == "9.91E37"
    assert meter.ask("CAL:FREQ?;:CAL:TANK?;:CAL:ZERO?") == "9.91E37,9.91E37;9.91E37,9.91E37;9.91E37"
    assert meter.ask("DISP:TEXT?") == '"C=----","BAT 7.40V"'


def test_calibration_and_readings(meter, board) -> None:
    board.c1_f = 690e-12
    assert meter.ask("CAL:ALL?") == "0"
    f1_hz = 1 / (2 * math.pi * math.sqrt(100e-6 * 690e-12))
    f2_hz = 1 / (2 * math.pi * math.sqrt(100e-6 * 1890e-12))
    counts = [int(text) for text in meter.ask("CAL:FREQ?").split(",")]
    assert counts == pytest.approx([f1_hz, f2_hz], abs=1)
    assert [float(text) for text in meter.ask("CAL:TANK?").split(",")] == pytest.approx([690e-12, 100e-6], rel=2e-5)
    board.at_terminals_f = 100e-12
    assert float(meter.ask("READ?")) == pytest.approx(100e-12, rel=1e-4)
    assert meter.ask("FETC?") == meter.ask("FETC?")
    assert meter.ask("DISP:TEXT?").startswith('"C=100.0 pF"')
    board.at_terminals_h = 1e-3
    assert float(meter.ask("SENS:FUNC IND;:READ?")) == pytest.approx(1e-3, rel=1e-4)
    board.at_terminals_h = 0.12
    assert meter.ask("READ?") == "9.9E37"
    assert meter.ask("DISP:TEXT?").startswith('"L=OVER"')
    board.at_terminals_h = math.inf
    assert meter.ask("READ?") == "9.91E37"


def test_a_gate_lasts_a_second_and_relays_20_ms(meter) -> None:
    def took_s(line: str) -> float:
        before = meter.at_s
        assert meter.ask(line) != ""
        return meter.at_s - before

    assert took_s("*OPC?") < 0.01
    assert took_s("MEAS:FREQ?") == pytest.approx(1.0, abs=0.02)
    assert took_s("CAL:ALL?") == pytest.approx(2.04, abs=0.02)
    assert took_s("SENS:FUNC IND;*OPC?") == pytest.approx(0.02, abs=0.008)
    assert took_s("SENS:FUNC IND;*OPC?") < 0.01
    assert took_s("CAL:STOR;*OPC?") <= 0.1


def test_the_timebase_is_trimmed_by_the_reload(meter, board) -> None:
    board.reference_hz, board.crystal_hz = 4e6, 16e6 * (1 + 100e-6)
    meter.chip.reset_pin(True, meter.at_s)
    meter.chip.reset_pin(False, meter.at_s)
    meter.run(0.7)
    found = int(meter.ask("MEAS:FREQ?"))
    assert found == pytest.approx(4e6 * (1 - 100e-6), abs=2)
    reload = round(62_500 * 4e6 / found)
    left = int(meter.ask(f"CAL:REL {reload};:MEAS:FREQ?"))
    assert abs(left / 4e6 - 1) < 8.5e-6  # half a step of 16 ppm


def test_relays_by_hand_and_what_sets_them_back(meter, board) -> None:
    assert meter.ask("DIAG:REL2 ON;:DIAG:REL2?;:DIAG:REL1?") == "ON;OFF"
    assert int(meter.ask("MEAS:FREQ?")) == pytest.approx(366_000, rel=0.01)  # as the relays stand
    meter.ask("CAL:ALL?")
    assert meter.ask("DIAG:REL2?") == "OFF"
    meter.ask("DIAG:REL1 ON;:DIAG:REL2 ON;*OPC?")
    assert float(meter.ask("READ?")) == pytest.approx(0.0, abs=0.01e-12)
    assert meter.ask("DIAG:REL1?;:DIAG:REL2?") == "OFF;OFF"


def test_a_failed_calibration_is_no_calibration(meter, board) -> None:
    meter.ask("CAL:ALL?")
    board.is_dead = True
    assert meter.ask("CAL:ALL?") == "1"
    board.is_dead = False
    assert meter.ask("READ?") == "9.91E37"


def test_self_test(meter, board) -> None:
    assert meter.ask("*TST?") == "0"
    board.is_dead = True
    assert meter.ask("*TST?") == "2"


def test_constants_survive_power_off_and_a_torn_write_is_noticed(board, make_meter) -> None:
    eeprom = erased()
    bench = make_meter(board, eeprom)
    bench.start()
    assert bench.ask("CAL:CCAL 1.21E-9;:CAL:SCAL 1.02;:CAL:REL 62507;:CAL:STOR;*OPC?") == "1"
    bench.power(0.0)
    bench.run(1.0)
    bench.start()
    assert bench.ask("CAL:CCAL?;:CAL:SCAL?;:CAL:REL?") == "1.210000E-09;1.0200000;62507"
    bench.chip.receive(b"CAL:CCAL 1.3E-9;:CAL:STOR\n", bench.at_s)
    bench.run(0.02)
    bench.power(0.0)  # in the middle of writing
    bench.run(1.0)
    bench.start()
    assert bench.ask("*TST?;:CAL:CCAL?") == "1;1.200000E-09"


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("CAL:CCAL 0.9E-9", -222), ("CAL:CCAL", -109), ("CAL:SCAL 1.3", -222), ("CAL:REL 61999", -222),
        ("CAL:REL x", -104), ("SENS:FUNC RES", -224), ("DIAG:REL1 2", -104), ("DIAG:REL1 UP", -224),
        ("DIAG:LAMP3 ON", -113), ('DISP:TEXT "thirteen char"', -222), ("READ? 1", -108), ("*ESE 256", -222),
        ("SYST:ERR? " + "x" * 60, -363),
    ],
)  # fmt: skip
def test_errors(meter, line: str, code: int) -> None:
    assert meter.ask(line, seconds=0.1) == ""
    assert meter.ask("SYST:ERR?").startswith(f"{code},")
    assert meter.ask("SYST:ERR?") == '0,"No error"'


def test_the_queue_holds_four(meter) -> None:
    for _ in range(6):
        meter.ask("NONSENSE", seconds=0.02)
    answers = [meter.ask("SYST:ERR?").partition(",")[0] for _ in range(5)]
    assert answers == ["-113", "-113", "-113", "-350", "0"]


def test_every_command_has_its_full_path(meter) -> None:
    assert meter.ask("SYST:CAUS?;SYST:VERS?;:SYST:VERS?") == "POWER;1999.0;1999.0"
    meter.ask("SYST:CAUS?;VERS?")
    assert meter.ask("SYST:ERR?").startswith("-113")


def test_a_command_during_a_gate_is_answered_at_once_and_the_gate_goes_on(meter, board) -> None:
    meter.ask("CAL:ALL?")
    board.at_terminals_f = 50e-12
    meter.run(0.5)
    meter.ask("*IDN?")
    meter.run(1.6)
    assert float(meter.ask("FETC?")) == pytest.approx(50e-12, rel=1e-3)


# Battery and lamps


@pytest.mark.parametrize("pack_v", [6.0, 7.41, 8.4])
def test_battery(meter, board, pack_v: float) -> None:
    board.pack_v = pack_v
    assert float(meter.ask("MEAS:BATT?")) == pytest.approx(pack_v, abs=0.0062)  # half a step of 12 mV
    assert meter.ask("DISP:TEXT?").endswith(f'"BAT {float(meter.ask("MEAS:BATT?")):.2f}V"')


def test_lamps_follow_the_pack_with_hysteresis(meter, board) -> None:
    def lamps() -> tuple[bool, bool]:
        return meter.chip.level("PD5") == "high", meter.chip.level("PD6") == "high"

    seen = []
    for pack_v in (7.4, 6.3, 6.22, 6.18, 6.22, 6.38, 6.42, 6.3):
        board.pack_v = pack_v
        meter.run(0.3)
        seen.append(lamps())
    green, amber = (True, False), (False, True)
    assert seen == [green, green, green, amber, amber, amber, green, green]


def test_between_the_thresholds_a_start_is_good(board, make_meter) -> None:
    board.pack_v = 6.3
    bench = make_meter(board)
    bench.start()
    assert (bench.chip.level("PD5"), bench.chip.level("PD6")) == ("high", "low")


def test_lamps_by_hand(meter) -> None:
    assert meter.ask("DIAG:LAMP1 OFF;:DIAG:LAMP2 ON;:DIAG:LAMP1?;:DIAG:LAMP2?") == "OFF;ON"
    assert (meter.chip.level("PD5"), meter.chip.level("PD6")) == ("low", "high")
    assert meter.ask("*RST;:DIAG:LAMP1?") == "AUTO"
    assert (meter.chip.level("PD5"), meter.chip.level("PD6")) == ("high", "low")


# Keys and display


def test_short_presses_act_when_released(meter) -> None:
    meter.press("PD2", seconds=0.1)
    assert meter.ask("DIAG:PRES?;:SENS:FUNC?") == "1,0,0;IND"
    meter.press("PD2", seconds=0.1)
    assert meter.ask("DIAG:PRES?;:SENS:FUNC?;:DIAG:PRES?") == "1,0,0;CAP;0,0,0"


def test_bounce_shorter_than_20_ms_is_no_press(meter) -> None:
    meter.board.keys = {"PD2"}
    meter.chip.inputs_changed(meter.at_s)
    meter.run(0.018)
    meter.board.keys = set()
    meter.chip.inputs_changed(meter.at_s)
    meter.run(0.2)
    assert meter.ask("DIAG:PRES?") == "0,0,0"


def test_key_2_takes_the_zero(meter, board) -> None:
    meter.ask("CAL:ALL?")
    board.at_terminals_f = 5e-12
    meter.press("PD3", seconds=0.1)
    meter.run(1.2)
    assert meter.ask("DIAG:PRES?") == "0,1,0"
    assert float(meter.ask("READ?")) == pytest.approx(0.0, abs=0.005e-12)


def test_both_keys_for_a_second_calibrate_once_while_held(meter) -> None:
    meter.board.keys = {"PD2", "PD3"}
    meter.chip.inputs_changed(meter.at_s)
    meter.run(0.9)
    assert meter.ask("DIAG:PRES?;:DIAG:KEYS?") == "0,0,0;3"
    meter.run(0.2)
    assert meter.ask("DIAG:PRES?") == "0,0,1"
    meter.board.keys = set()
    meter.chip.inputs_changed(meter.at_s)
    meter.run(2.5)
    assert meter.ask("DIAG:PRES?;:DIAG:KEYS?") == "0,0,0;0"
    assert meter.ask("CAL:FREQ?") != "9.91E37,9.91E37"


def test_both_keys_briefly_do_nothing(meter) -> None:
    meter.press("PD2", "PD3", seconds=0.5)
    assert meter.ask("DIAG:PRES?;:SENS:FUNC?;:CAL:FREQ?") == "0,0,0;CAP;9.91E37,9.91E37"


def test_text_on_the_display(meter) -> None:
    assert meter.ask('DISP:TEXT "CODE 4711";:DISP:TEXT?') == '"C=----","CODE 4711"'
    assert meter.ask("DISP:TEXT:CLE;:DISP:TEXT?").endswith('"BAT 7.40V"')
    assert meter.ask('DISP:TEXT "X";*RST;:DISP:TEXT?').endswith('"BAT 7.40V"')
