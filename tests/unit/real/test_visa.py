"""Drivers on PyVISA's pure Python library, against a scripted instrument behind a socket."""

import math
import time
from collections.abc import Callable, Iterator

import pytest

from hil.app.locate import FOLDERS
from hil.errors import BenchError, InstrumentError
from hil.files.commands import parse_commands
from hil.real.roles import VisaCounter, VisaGenerator, VisaSelector, VisaSupply, VisaThermometer, VisaVoltmeter
from hil.real.trace import Trace
from hil.real.visa import VisaInstrument, VisaLibrary
from hil.real.wallclock import WallClock
from hil.wire.instrument import CommandSet

GOOD = b'1;0,"No error"\n'


def commands(name: str) -> CommandSet:
    path = FOLDERS["commands"] / f"{name}.toml"
    return parse_commands(path.name, path.read_text())


class Bench:
    """One scripted instrument and its driver."""

    def __init__(self, library: VisaLibrary, make: Callable[..., object]) -> None:
        self.library, self.make, self.trace = library, make, Trace()

    def open(self, role: str, answer: Callable[[str], bytes | None], *, timeout_s: float = 0.2) -> VisaInstrument:
        self.server = self.make(answer)
        return VisaInstrument(
            role,
            self.library,
            self.server.address,  # type: ignore[attr-defined]
            commands(f"scpi_{role}"),
            clock=WallClock(),
            trace=self.trace,
            timeout_s=timeout_s,
            hint=" (west.toml:12)",
        )

    @property
    def received(self) -> list[str]:
        return self.server.received  # type: ignore[attr-defined,no-any-return]


@pytest.fixture
def bench(socket_instrument: Callable[..., object]) -> Iterator[Bench]:
    library = VisaLibrary("@py")
    yield Bench(library, socket_instrument)
    library.close()


def test_supply_says_what_it_is_asked_and_waits_until_it_is_done(bench: Bench) -> None:
    answers = {"MEAS:VOLT?": b"7.3998\n", "MEAS:CURR?": b"+3.1E-02\n", "STAT:QUES:COND?": b"1\n"}
    switched: list[int] = []
    supply = VisaSupply(bench.open("supply", lambda line: answers.get(line, GOOD)), lambda: switched.append(1))
    supply.set(7.4, 0.15)
    supply.on()
    assert (supply.voltage_v(), supply.current_a(), supply.in_current_limit()) == (7.3998, 0.031, True)
    supply.off()
    assert bench.received == [
        "VOLT 7.4000;CURR 0.15000;*OPC?;:SYST:ERR?",
        "OUTP ON;*OPC?;:SYST:ERR?",
        "MEAS:VOLT?",
        "MEAS:CURR?",
        "STAT:QUES:COND?",
        "OUTP OFF;*OPC?;:SYST:ERR?",
    ]
    assert len(switched) == 2
    assert [str(one) for one in bench.trace.drain()][2] == "supply: MEAS:VOLT? → 7.3998"


def test_over_range_is_infinite_and_nothing_to_count_is_zero(bench: Bench) -> None:
    voltmeter = VisaVoltmeter(bench.open("voltmeter", lambda line: b"9.9E37\n"))
    assert math.isinf(voltmeter.resistance_ohm())
    counter = VisaCounter(bench.open("counter", lambda line: b"9.91E37\n"))
    assert counter.frequency_hz(0.01) == 0.0
    assert bench.received == ["FREQ:APER 0.0100;:MEAS:FREQ?"]
    assert VisaThermometer(bench.open("thermometer", lambda line: b"23.41\n")).temperature_degc() == 23.41


def test_square_wave_lies_between_zero_and_its_amplitude(bench: Bench) -> None:
    generator = VisaGenerator(bench.open("generator", lambda line: GOOD))
    generator.square(4e6, 5.0)
    assert bench.received == ["FUNC SQU;FREQ 4000000.000;VOLT 5.0000VPP;VOLT:OFFS 2.5000;:OUTP ON;*OPC?;:SYST:ERR?"]


def test_selector_breaks_before_it_makes_and_only_when_something_changes(bench: Bench) -> None:
    parts, probes = {"c_1n": 3, "c_10n": 4, "short": 9}, {"GND": 20, "TP_5V": 21, "TP_3V": 22}
    selector = VisaSelector(bench.open("selector", lambda line: GOOD), parts, probes)
    for part in ("c_1n", "c_1n", "c_10n", "open"):
        selector.fit(part)
    for point in ("TP_5V:GND", "TP_5V", "TP_5V:TP_3V"):
        selector.probe(point)
    assert [line.partition(";*OPC")[0] for line in bench.received] == [
        "ROUT:OPEN:ALL",
        "ROUT:CLOS (@3)",
        "ROUT:OPEN (@3)",
        "ROUT:CLOS (@4)",
        "ROUT:OPEN (@4)",
        "ROUT:CLOS (@21)",
        "ROUT:OPEN (@21)",
        "ROUT:CLOS (@21,22)",
    ]
    with pytest.raises(BenchError) as caught:
        selector.fit("c_2n2")
    assert str(caught.value) == (
        "c_2n2: not wired to the selector. Wired: c_1n, c_10n, short. Add it to [selector.parts] of the bench file."
    )


def test_a_refused_command_gives_the_instruments_own_words(bench: Bench) -> None:
    supply = VisaSupply(bench.open("supply", lambda line: b'1;-222,"Data out of range"\n'), lambda: None)
    with pytest.raises(InstrumentError, match=r"refuses 'VOLT 99.0000;CURR 1.00000': -222 Data out of range"):
        supply.set(99, 1)


def test_silence_says_role_address_limit_and_place(bench: Bench) -> None:
    instrument = bench.open("supply", lambda line: b"")
    started_s = time.monotonic()
    with pytest.raises(InstrumentError) as caught:
        instrument.ask("voltage_v")
    assert time.monotonic() - started_s < 5
    assert str(caught.value) == (
        f"supply at {instrument.address}: does not answer 'MEAS:VOLT?' within 0.2 s. "
        "Check that it is on and its cable is plugged in, then its address (west.toml:12)."
    )


def test_a_late_answer_does_not_become_the_next_one(bench: Bench) -> None:
    def answer(line: str) -> bytes:
        if line == "MEAS:VOLT?":
            time.sleep(0.25)
            return b"1.111\n"
        return b"2.222\n"

    instrument = bench.open("supply", answer)
    with pytest.raises(InstrumentError, match="does not answer"):
        instrument.ask("voltage_v")
    assert instrument.ask("current_a") == 2.222


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"\x00\xfe\x81\n", "bytes that are no ASCII"),
        (b"ERR\n", "'ERR' is not a number"),
        (b"\n", "'' is not a number"),
        (b"nan\n", "'nan' is not a number"),
    ],
)
def test_garbage_is_trouble_of_the_instrument(bench: Bench, answer: bytes, words: str) -> None:
    instrument = bench.open("supply", lambda line: answer)
    with pytest.raises(InstrumentError, match="answers 'MEAS:VOLT\\?'") as caught:
        instrument.ask("voltage_v")
    assert words in str(caught.value)


def test_a_connection_that_breaks_is_told_apart_from_silence(bench: Bench) -> None:
    instrument = bench.open("supply", lambda line: None)
    with pytest.raises(InstrumentError, match=r"supply at TCPIP.*(connection broke|does not answer)"):
        instrument.ask("voltage_v")


def test_nobody_at_the_address(bench: Bench) -> None:
    instrument = bench.open("supply", lambda line: GOOD)
    bench.server.close()  # type: ignore[attr-defined]
    with pytest.raises(InstrumentError, match="supply at TCPIP"):
        VisaInstrument(
            "supply", bench.library, "TCPIP::127.0.0.1::1::SOCKET", commands("scpi_supply"), clock=WallClock(),
            trace=Trace(), timeout_s=0.2,
        ).identify()  # fmt: skip
    instrument.close()


@pytest.mark.parametrize("address", ["no address", "TCPIP::no-such-host.invalid::5025::SOCKET"])
def test_an_address_that_is_none(bench: Bench, address: str) -> None:
    with pytest.raises(InstrumentError, match="cannot be opened"):
        bench.library.open("supply", address, hint="")


def test_who_answers_must_be_an_identity(bench: Bench) -> None:
    assert bench.open("supply", lambda line: b"Quillmere,PS,1,2\n").identify() == "Quillmere,PS,1,2"
    with pytest.raises(InstrumentError, match="Is another kind of instrument at this address"):
        bench.open("supply", lambda line: b"hello\n").identify()


def test_a_missing_verb_says_where_to_add_it(bench: Bench) -> None:
    with pytest.raises(InstrumentError, match=r"has no verb 'temperature_degc'. Add \[verb.temperature_degc\]"):
        bench.open("supply", lambda line: GOOD).ask("temperature_degc")
