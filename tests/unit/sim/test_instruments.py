"""Instruments on their own: accuracy, SCPI, time, trouble."""

import csv
import math
import statistics
from pathlib import Path

import pytest

from hil.core.equipment import Accuracy
from hil.sim.instruments.base import Instrument
from hil.sim.instruments.measuring import FrequencyCounter, Thermometer, Voltmeter
from hil.sim.instruments.supply import DcSupply
from hil.sim.instruments.switching import FunctionGenerator, Selector
from hil.sim.setup import SimInstrument
from hil.sim.streams import Streams
from hil.sim.trouble import Troubles, parse_trouble

COMMON = Path(__file__).parents[2] / "data" / "ieee488_2_common_commands.csv"


class Place:
    """A bench of fixed values."""

    def __init__(self, seed: int = 1, *troubles: str) -> None:
        self.at_s, self.fixed, self.noise = 0.0, Streams(seed, "bench"), Streams(seed, "noise")
        self.troubles = Troubles(map(parse_trouble, troubles))
        self.volts, self.ohms, self.amperes, self.hertz, self.degc = 5.0, 1000.0, 0.03, 4e6, 23.0
        self.output: tuple[float | None, float] = (None, 0.0)
        self.generator: tuple[float, float, float] = (0.0, 0.0, 0.0)
        self.closed: tuple[int, ...] = ()
        self.limits = False
        self.busy: list[Instrument] = []

    def sync(self) -> None: ...
    def probe_voltage_v(self) -> float:
        return self.volts

    def probe_resistance_ohm(self) -> float:
        return self.ohms

    def supply_voltage_v(self) -> float:
        return self.output[0] or 0.0

    def supply_current_a(self) -> float:
        return self.amperes

    def supply_limits(self) -> bool:
        return self.limits

    def probe_frequency_hz(self, from_s: float, to_s: float) -> float:
        return self.hertz

    def ambient_degc(self) -> float:
        return self.degc

    def set_supply(self, volts: float | None, limit: float) -> None:
        self.output = (volts, limit)

    def set_generator(self, *levels: float) -> None:
        self.generator = levels

    def channels(self) -> frozenset[int]:
        return frozenset(range(101, 110))

    def set_channels(self, closed: tuple[int, ...]) -> None:
        self.closed = closed


def make(cls, place: Place, **accuracy: Accuracy):
    role = {DcSupply: "supply", Voltmeter: "voltmeter", FrequencyCounter: "counter", Thermometer: "thermometer",
            FunctionGenerator: "generator", Selector: "selector"}[cls]  # fmt: skip
    return cls(place, SimInstrument(role=role, kind=role, address="X", accuracy=accuracy))


def ask(instrument, message: str) -> str:
    """The answer, after as much time as it takes."""
    instrument.write(message.encode() + b"\n")
    while instrument.due_s is not None:
        instrument.place.at_s = max(instrument.place.at_s, instrument.due_s)
        instrument.go_on()
    return instrument.read(4096).decode().removesuffix("\n")


ALL = (DcSupply, Voltmeter, FrequencyCounter, Thermometer, FunctionGenerator, Selector)


@pytest.mark.published("common commands of every instrument", source="IEEE 488.2 clause 10, second-hand", how="read")
@pytest.mark.parametrize("cls", ALL)
def test_common_commands(cls) -> None:
    instrument = make(cls, Place())
    with COMMON.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            command = row["command"]
            answer = ask(instrument, f"{command} 0" if command in ("*ESE", "*SRE") else command)
            assert bool(answer) == command.endswith("?")
    assert ask(instrument, "SYST:ERR?") == '0,"No error"'
    assert len(ask(instrument, "*IDN?").split(",")) == 4
    ask(instrument, "NONSENSE")
    assert ask(instrument, "SYST:ERR:NEXT?") == '-113,"Undefined header"'


def test_readings_stay_within_the_stated_accuracy_and_differ_from_bench_to_bench() -> None:
    stated = Accuracy(relative=1e-3, absolute=2e-3)
    errors = []
    for seed in range(200):
        meter = make(Voltmeter, Place(seed), voltage=stated)
        errors.append(float(ask(meter, "MEAS:VOLT:DC?")) - 5.0)
    assert max(map(abs, errors)) <= stated.half_width(5.0)
    assert statistics.stdev(errors) > 0.2 * stated.half_width(5.0)


def test_noise_and_resolution() -> None:
    meter = make(Voltmeter, Place())
    readings = [float(ask(meter, "MEAS:VOLT?")) for _ in range(50)]
    assert 2e-5 < statistics.stdev(readings) < 2e-4
    assert all(abs(reading / 1e-4 - round(reading / 1e-4)) < 1e-6 for reading in readings)  # 20 V over 200 000 counts


def test_over_range() -> None:
    place = Place()
    meter = make(Voltmeter, place)
    place.ohms, place.volts = math.inf, 25.0
    assert float(ask(meter, "MEAS:RES?")) == 9.9e37
    assert float(ask(meter, "MEAS:VOLT?")) == 9.9e37
    place.volts = -25.0
    assert float(ask(meter, "MEAS:VOLT?")) == -9.9e37


def test_measurements_take_their_time() -> None:
    place = Place()
    counter = make(FrequencyCounter, place)
    assert float(ask(counter, "FREQ:APER 2;:MEAS:FREQ?")) == pytest.approx(4e6, rel=1e-6)
    assert place.at_s == pytest.approx(2.0)
    place.hertz = 0.0
    assert float(ask(counter, "MEAS:FREQ?")) == 0.0
    assert ask(counter, "*RST;:FREQ:APER?") == "+1.000000000E+00"


def test_the_supply_puts_out_nearly_what_is_set_and_nothing_when_off() -> None:
    place = Place()
    supply = make(DcSupply, place)
    ask(supply, "VOLT 7.4;CURR 150MA")
    assert place.output[0] is None
    ask(supply, "OUTP ON")
    assert place.output == pytest.approx((7.4, 0.15), abs=0.01)
    assert place.output != (7.4, 0.15)
    assert ask(supply, "OUTP?;:VOLT?;:CURR?") == "1;+7.400000000E+00;+1.500000000E-01"
    place.limits = True
    assert ask(supply, "STAT:QUES:COND?;:STAT:QUES?;:STAT:QUES?") == "1;0;1"
    ask(supply, "VOLT 99;VOLT -6")
    assert place.output[0] == pytest.approx(-6.0, abs=0.01)
    assert ask(supply, "SYST:ERR?").startswith("-222")
    ask(supply, "*RST")
    assert place.output[0] is None


def test_the_generator_is_known_to_a_part_per_million() -> None:
    for seed in range(50):
        place = Place(seed)
        generator = make(FunctionGenerator, place)
        ask(generator, "FUNC SQU;FREQ 4MHZ;VOLT 5VPP;VOLT:OFFS 2.5;:OUTP ON")
        frequency_hz, low_v, high_v = place.generator
        assert frequency_hz == pytest.approx(4e6, rel=5e-7)
        assert (low_v, high_v) == pytest.approx((0.0, 5.0), abs=0.1)
        ask(generator, "VOLT:LOW 1;HIGH 4;:OUTP OFF;:VOLT:LOW 6")
        assert place.generator[0] == 0.0
        assert place.generator[1:] == pytest.approx((1.0, 4.0), abs=0.1)
        assert ask(generator, "SYST:ERR?").startswith("-221")


def test_the_selector_keeps_the_order_of_closing() -> None:
    place = Place()
    selector = make(Selector, place)
    ask(selector, "ROUT:CLOS (@105,102);CLOS (@109);OPEN (@102)")
    assert place.closed == (105, 109)
    assert ask(selector, "ROUT:CLOS? (@102,105)") == "0,1"
    ask(selector, "ROUT:CLOS (@300)")
    assert ask(selector, "SYST:ERR?").startswith("-222")
    ask(selector, "ROUT:OPEN:ALL")
    assert place.closed == ()


# The wire


def test_a_question_while_an_answer_waits() -> None:
    meter = make(Voltmeter, Place())
    meter.write(b"*IDN?\n")
    assert meter.serial_poll() & 0x10
    meter.write(b"*OPC?\n")
    assert meter.read(100) == b"1\n"
    assert ask(meter, "SYST:ERR?") == '-410,"Query INTERRUPTED"'


def test_messages_in_pieces_and_device_clear() -> None:
    meter = make(Voltmeter, Place())
    meter.write(b"*I", is_end=False)
    meter.write(b"DN?\n*OPC?", is_end=False)
    assert meter.read(100).startswith(b"Simulated,")
    meter.write(b"\n")
    assert meter.read(100) == b"1\n"
    meter.write(b"MEAS:VOLT?\n")
    assert meter.is_busy()
    meter.clear()
    assert not meter.is_busy()
    assert ask(meter, "*OPC?") == "1"


@pytest.mark.parametrize(
    ("effect", "answer"),
    [
        ("silent", b""),
        ("garbage", b"\x00\xfe\x81~@\x1b[\x07\n"),
        ("partial", b"Simul"),
        ("wrong_identity", b"Other,PS-1,0,0\n"),
    ],
)
def test_trouble_begins_after_some_messages(effect: str, answer: bytes) -> None:
    meter = make(Voltmeter, Place(1, f"bench.voltmeter={effect}@2"))
    assert ask(meter, "*IDN?").startswith("Simulated")
    assert ask(meter, "*IDN?").startswith("Simulated")
    meter.write(b"*IDN?\n")
    assert meter.read(100)[: max(len(answer), 1)] == answer


def test_a_lost_calibration() -> None:
    meter = make(Voltmeter, Place(1, "bench.voltmeter.voltage=+3%"))
    assert float(ask(meter, "MEAS:VOLT?")) == pytest.approx(5.15, abs=0.005)
