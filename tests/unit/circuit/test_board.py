"""The whole board: what the scenario says it does, and what faults make of it."""

import math
import random

import pytest

from hil.circuit.board import BoardModel, Conditions, Source, Terminal, draw_values
from hil.circuit.faults import parse_faults

RANGE_MA = {"idle": (24, 44), "K1": (24, 85), "K2": (24, 85), "both": (24, 95)}
DRIVES = {"idle": {}, "K1": {"PB0": "high"}, "K2": {"PB1": "high"}, "both": {"PB0": "high", "PB1": "high"}}


def faulty(netlist, *texts: str) -> BoardModel:
    return BoardModel(netlist, {}, parse_faults(texts, netlist))


def unit(netlist, name: str) -> BoardModel:
    return BoardModel(netlist, draw_values(netlist, lambda parameter: random.Random(f"{name}/{parameter}").random()))


@pytest.mark.parametrize("state", RANGE_MA)
def test_supply_current_of_twenty_units(netlist, powered, state):
    low, high = RANGE_MA[state]
    for number in range(20):
        current_ma = unit(netlist, f"u{number}").solve(powered(pins=DRIVES[state])).supply_current_a * 1e3
        assert low < current_ma < high


def test_rails_and_divider(nominal, powered):
    operating = nominal.solve(powered())
    assert operating.voltage_v("TP_5V") == pytest.approx(5.00, rel=2e-3)
    assert operating.voltage_v("TP_3V") == pytest.approx(3.02, rel=2e-3)
    assert operating.voltage_v("TP_DIV") == pytest.approx(0.4 * operating.voltage_v("TP_PACK"), rel=1e-4)
    assert operating.voltage_v("TP_AREF") == pytest.approx(5.00, rel=2e-3)
    assert operating.voltage_v("U3.PC0") == operating.voltage_v("TP_DIV")


def test_frequencies_of_the_scenario(nominal, powered):
    assert nominal.oscillate(powered()).frequency_hz == pytest.approx(610e3, rel=0.02)
    assert nominal.oscillate(powered(pins={"PB1": "high"})).frequency_hz == pytest.approx(367e3, rel=0.02)


def test_open_terminals_stop_the_oscillator_in_inductance(nominal, powered):
    assert nominal.oscillate(powered(pins={"PB0": "high"})).frequency_hz == 0.0
    shorted = powered(pins={"PB0": "high"}, terminal=Terminal(kind="short"))
    assert nominal.oscillate(shorted).frequency_hz == pytest.approx(601e3, rel=0.02)


def test_amplitude_at_one_microfarad_is_a_few_millivolts(nominal, powered):
    found = nominal.oscillate(powered(terminal=Terminal(kind="capacitor", value=1e-6)))
    assert 1e-3 < found.amplitude_v < 6e-3


def test_series_loss_of_the_coil_makes_a_large_capacitor_read_high(netlist, powered):
    """0.5 Ω: +0.3 % at 1 µF, 1 Ω: +1.3 % (measured on prototypes); Cx goes as 1/f²."""
    part = powered(terminal=Terminal(kind="capacitor", value=1e-6))

    def frequency(ohm: float) -> float:
        return BoardModel(netlist, {"L1.resistance": ohm}).oscillate(part).frequency_hz

    half, whole = ((frequency(1e-3) / frequency(ohm)) ** 2 - 1 for ohm in (0.5, 1.0))
    assert half == pytest.approx(0.003, abs=0.001)
    assert whole == pytest.approx(0.013, abs=0.004)  # R²C/L alone is 0.010


def test_relays_follow_their_coils(nominal, powered):
    operating = nominal.solve(powered(pins={"PB0": "high"}))
    assert operating.relay_on("K1")
    assert not operating.relay_on("K2")
    assert operating.voltage_v("TP_K1") < 0.2


def test_dead_driver_shows_in_the_tank(netlist, powered):
    board = faulty(netlist, "R16=open")
    conditions = powered(pins={"PB0": "high"})
    assert not board.solve(conditions).relay_on("K1")
    assert board.oscillate(conditions).frequency_hz > 500e3  # still the capacitance circuit


def test_stuck_relays(netlist, powered):
    assert faulty(netlist, "K2=stuck_closed").oscillate(powered()).frequency_hz == pytest.approx(365e3, rel=0.02)
    assert faulty(netlist, "K2=stuck_open").oscillate(powered(pins={"PB1": "high"})).frequency_hz > 590e3
    assert faulty(netlist, "K1=stuck_closed").oscillate(powered()).frequency_hz == 0.0  # open terminals in inductance


def test_wrong_polarity_draws_nothing_unless_the_transistor_is_shorted(nominal, netlist):
    crossed = Conditions(supply_v=-7.4, supply_limit_a=0.02)
    assert abs(nominal.solve(crossed).supply_current_a) < 1e-6
    operating = faulty(netlist, "Q1=short").solve(crossed)
    assert operating.in_current_limit
    assert operating.voltage_v("TP_PACK") > -1.0


def test_short_on_a_rail_is_current_limit(netlist, powered):
    operating = faulty(netlist, "C4=short").solve(powered(supply_limit_a=0.15))
    assert operating.in_current_limit
    assert operating.supply_current_a == pytest.approx(0.15, rel=1e-3)
    assert operating.voltage_v("TP_5V") < 0.1
    assert operating.mcu_mode == "reset"


def test_dropout_and_brown_out(nominal, powered):
    assert nominal.solve(powered(supply_v=6.0)).voltage_v("TP_5V") == pytest.approx(5.0, rel=2e-3)
    low = nominal.solve(powered(supply_v=4.8))
    assert 4.3 < low.voltage_v("TP_5V") < 4.8
    assert low.mcu_runs
    assert not nominal.solve(powered(supply_v=4.2)).mcu_runs


@pytest.mark.parametrize("fault", ["R10=x0.1", "R11=x0.1", "R11=open"])
def test_averaged_output_shows_a_wrong_bias_resistor_that_the_frequency_hides(netlist, nominal, powered, fault):
    board, good = faulty(netlist, fault), nominal.solve(powered()).voltage_v("TP_COMPAVG")
    frequency = board.oscillate(powered()).frequency_hz
    assert frequency == pytest.approx(nominal.oscillate(powered()).frequency_hz, rel=0.01) or frequency == 0.0
    assert abs(board.solve(powered()).voltage_v("TP_COMPAVG") - good) > 0.5


def test_unpowered_resistances(nominal):
    terminals = nominal.solve(Conditions(ohmmeter=("T1", "GND"))).resistance_ohm
    assert 0.2 < terminals < 1.0  # L1 through K1 at rest
    reset = nominal.solve(Conditions(ohmmeter=("TP_RESET", "TP_5V"), ohmmeter_current_a=1e-5)).resistance_ohm
    assert reset == pytest.approx(1 / (1 / 10e3 + 1 / 45e3), rel=0.01)


def test_open_ohmmeter_is_over_range(netlist):
    board = faulty(netlist, "J4.1=open")
    assert board.solve(Conditions(ohmmeter=("J4.1", "GND"))).resistance_ohm == math.inf


@pytest.mark.parametrize(
    ("fault", "expected_hz"),
    [("Y1=open", 0.0), ("C10=short", 0.0), ("U3=clock/8", 2e6), ("Y1=+200ppm", 16.0032e6), ("C10=open", 16.0073e6)],
)
def test_clock(netlist, nominal, powered, fault, expected_hz):
    assert nominal.solve(powered()).mcu_clock_hz == pytest.approx(16e6, rel=1e-9)
    assert faulty(netlist, fault).solve(powered()).mcu_clock_hz == pytest.approx(expected_hz, rel=20e-6)


@pytest.mark.parametrize(("fault", "mode"), [("U3=blank", "blank"), ("Y1=open", "stopped"), ("R4=short", "running")])
def test_what_the_microcontroller_does(netlist, powered, fault, mode):
    assert faulty(netlist, fault).solve(powered()).mcu_mode == mode


def test_held_in_reset_its_pins_do_nothing(nominal, powered):
    held = powered(pins={"PB0": "high"}, sources=(Source(point="TP_RESET", voltage_v=0.0),))
    operating = nominal.solve(held)
    assert operating.mcu_mode == "reset"
    assert not operating.relay_on("K1")


def test_generator_at_t0_is_what_is_counted(nominal, netlist, powered):
    generator = powered(sources=(Source(point="TP_T0", voltage_v=5.0, frequency_hz=4e6),))
    assert nominal.oscillate(generator).t0_frequency_hz == 4e6
    assert nominal.oscillate(powered()).t0_frequency_hz == nominal.oscillate(powered()).frequency_hz
    cut = faulty(netlist, "U3.PD4=open")
    assert cut.oscillate(powered()).t0_frequency_hz == 0.0
    assert cut.oscillate(powered()).frequency_hz > 0


def test_lines_to_the_display_and_from_the_header(nominal, netlist, powered):
    assert nominal.carries("U3.PB3", "DISP1.SDI", powered())
    assert nominal.carries("J2.RX", "U3.PD0", powered())
    assert not faulty(netlist, "R21=open").carries("U3.PB3", "DISP1.SDI", powered())
    assert not faulty(netlist, "R5=open").carries("J2.RX", "U3.PD0", powered())


def test_programming_header(nominal, netlist, powered):
    assert nominal.solve(powered()).mcu_programmable
    for fault in ("U3.PB4=open", "U3.17,U3.18=bridge", "U1=open"):
        assert not faulty(netlist, fault).solve(powered()).mcu_programmable


def test_lamps_keys_and_display(nominal, netlist, powered):
    operating = nominal.solve(powered(keys=("KEY1",)))
    assert operating.lamps["LED1"] > 1e-3 > 1e-6 > operating.lamps["LED2"]
    assert operating.pins["U3.PD2"] < 0.1 < 4.5 < operating.pins["U3.PD3"]
    assert operating.display_powered
    assert not faulty(netlist, "R3=short").solve(powered()).display_powered


def test_intermittent_joint(netlist, powered):
    board = faulty(netlist, "R9=intermittent=0.1")
    assert board.intermittent == 0.1
    assert board.oscillate(powered()).frequency_hz > 0
    assert board.oscillate(powered(joints_open=True)).frequency_hz == 0.0


def test_results_do_not_depend_on_what_was_asked_before(netlist, powered):
    asked = [
        powered(),
        powered(pins={"PB0": "high"}),
        powered(supply_v=6.0),
        powered(terminal=Terminal(kind="capacitor", value=1e-9)),
    ]
    forwards, backwards = unit(netlist, "x"), unit(netlist, "x")
    first = [forwards.solve(conditions).voltages for conditions in asked]
    second = [backwards.solve(conditions).voltages for conditions in reversed(asked)]
    assert first == list(reversed(second))


def test_temperature_moves_frequency_and_coils(nominal, powered):
    cold, warm = (nominal.oscillate(powered(temperature_degc=degc)).frequency_hz for degc in (13.0, 33.0))
    assert cold / warm - 1 == pytest.approx(0.5 * 120e-6 * 20, rel=0.1)  # L1: 120 ppm/K
    coil_a = [
        nominal.solve(powered(pins={"PB0": "high"}, temperature_degc=degc)).supply_current_a for degc in (13.0, 33.0)
    ]
    assert coil_a[0] > coil_a[1]


def test_drawn_values_stay_within_tolerance_and_have_a_third_of_it_as_sigma(netlist):
    generator = random.Random(1)
    drawn = [draw_values(netlist, lambda _name: generator.random()) for _ in range(400)]
    for parameter in netlist.parameters():
        deviations = [(values[parameter.name] - parameter.value) / parameter.tolerance for values in drawn]
        assert max(abs(deviation) for deviation in deviations) <= 1.0
        spread = math.sqrt(sum(deviation**2 for deviation in deviations) / len(deviations))
        assert spread == pytest.approx(1 / 3, rel=0.2)


@pytest.mark.parametrize("wrong", [{"mcu": "asleep"}, {"pins": (("PB0", "up"),)}, {"loads": (("TP_X", "GND", 1e6),)}])
def test_conditions_that_make_no_sense(nominal, wrong):
    with pytest.raises(ValueError, match=r"asleep|'up'|TP_X"):
        nominal.solve(Conditions(supply_v=7.4, **wrong))


def test_terminal_that_makes_no_sense():
    with pytest.raises(ValueError, match="open, short, capacitor or inductor, not 'resistor'"):
        Terminal(kind="resistor")
    with pytest.raises(ValueError, match="needs a value above zero"):
        Terminal(kind="capacitor")
