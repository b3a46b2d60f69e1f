"""The co-simulated processor: counts exact to the pulse, timers and converter by the data sheet, programs gone wrong.

The rules are those of the ATmega328P data sheet (Microchip DS40002061, number and wording from memory): chapters "8-bit
Timer/Counter0 with PWM" (external clock), "16-bit Timer/Counter1 with PWM", "8-bit Timer/Counter2 with PWM",
"Timer/Counter0 and Timer/Counter1 Prescalers", "Analog to Digital Converter", "USART0", "SPI", "AVR Memories" (EEPROM).
"""

import runpy
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest

from hil.errors import BenchError
from hil.sim.elf import read_elf
from hil.sim.elf_processor import ElfProcessor, adc_code
from hil.simlink.avr_process import AvrProcess, build_helper
from hil.simlink.elf_unit import read_firmware

ROOT = Path(__file__).parents[3]
FIRMWARE = ROOT / "fixtures" / "firmware" / "qm2.elf"
avr = SimpleNamespace(**runpy.run_path(str(ROOT / "tests" / "avr_code.py")))


class Bench:
    """Constant surroundings."""

    def __init__(self, frequency_hz=600e3, pack_v=7.4, clock_hz=16e6):
        self.frequency_hz, self.pack_v, self.crystal_hz, self.keys = frequency_hz, pack_v, clock_hz, ()

    def t0_pulses(self, from_s, to_s):
        return self.frequency_hz * (to_s - from_s)

    def adc_samples_v(self, channel, at_s, count):
        return [self.pack_v * 0.4] * count

    def adc_v(self, channel, at_s):
        return self.pack_v * 0.4

    def aref_v(self):
        return 5.0

    def pin_is_high(self, pin):
        return pin not in self.keys

    def clock_hz(self, at_s):
        return self.crystal_hz


class Meter:
    """A processor and somebody who talks to it."""

    def __init__(self, bench, data, process):
        self.bench, self.now_s = bench, 0.0
        self.chip = ElfProcessor(bench, bytearray(b"\xff" * 64), read_elf(data), process)
        self.said = b""

    def power(self, volts=5.0):
        self.chip.power(volts, self.now_s)

    def run(self, seconds):
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            self.now_s = self.chip.advance(until_s)
            self.said += self.chip.transmitted(self.now_s)

    def ask(self, line, limit_s=3.0):
        self.said = b""
        data = line.encode() + b"\n"
        self.chip.receive(data, self.now_s + len(data) * 10 / self.chip.baud())
        until_s = self.now_s + limit_s
        while self.now_s < until_s and not self.said.endswith(b"\n"):
            due_s = self.chip.next_transmission_s()
            target_s = min(until_s, due_s) if due_s is not None and due_s > self.now_s else until_s
            self.now_s = self.chip.advance(target_s)
            self.said += self.chip.transmitted(self.now_s)
        return self.said.decode().strip()


@pytest.fixture
def make():
    processes = []

    def start(data=None, **surroundings):
        process = AvrProcess(build_helper())
        processes.append(process)
        return Meter(Bench(**surroundings), data or FIRMWARE.read_bytes(), process)

    yield start
    for process in processes:
        process.close()


@pytest.mark.parametrize("frequency_hz", [1e3, 12_345.6, 100e3, 367_001.7, 609_999.9, 1e6, 2_499_999.3, 3e6])
def test_counts_are_exact_to_the_pulse(make, frequency_hz):
    """|n − f·gate| < 1 against the gate as the firmware really timed it, battery, keys and port at work meanwhile."""
    meter = make(frequency_hz=frequency_hz)
    meter.power()
    meter.run(0.7)
    counts = [int(meter.ask("MEAS:FREQ?")) for _ in range(3)]
    gates = [gate for gate in meter.chip.gates if gate.closed - gate.opened > 15_000_000]
    assert len(gates) >= 3
    for gate in gates:
        seconds = (gate.closed - gate.opened) / 16e6
        assert abs(gate.counted - frequency_hz * seconds) < 1
        assert abs(gate.closed - gate.opened - 62_500 * 256) <= 2  # clocks: 0.13 ppm
    assert set(counts) <= {gate.counted for gate in gates}


def test_gate_follows_the_crystal(make):
    meter = make(frequency_hz=1e6, clock_hz=16e6 * (1 + 30e-6))
    meter.power()
    meter.run(0.7)
    assert int(meter.ask("MEAS:FREQ?")) == pytest.approx(1e6 * (1 - 30e-6), abs=1.5)


def test_reload_steps_are_sixteen_ppm(make):
    meter = make(frequency_hz=1e6)
    meter.power()
    meter.run(0.7)
    meter.ask("CAL:REL 62502;*OPC?")
    assert int(meter.ask("MEAS:FREQ?")) == pytest.approx(1e6 * (1 + 32e-6), abs=1.5)


def test_above_half_the_clock_the_counter_sees_an_alias(make):
    """Data sheet, "External Clock Source": the pin is sampled once a clock."""
    meter = make(frequency_hz=9e6)
    meter.power()
    meter.run(0.7)
    assert int(meter.ask("MEAS:FREQ?")) == pytest.approx(7e6, abs=2)


TIFR = (0x35, 0x36, 0x37)
RULES = {
    # Normal mode: the overflow flag every 256 (65 536) timer clocks; prescalers 1 8 64 256 1024, timer 2 also 32 128.
    "timer 0, clk/1": ([(0x45, 1)], (TIFR[0], 0), [(TIFR[0], 1)], 256),
    "timer 0, clk/8": ([(0x45, 2)], (TIFR[0], 0), [(TIFR[0], 1)], 256 * 8),
    "timer 0, clk/64": ([(0x45, 3)], (TIFR[0], 0), [(TIFR[0], 1)], 256 * 64),
    "timer 0, clk/1024": ([(0x45, 5)], (TIFR[0], 0), [(TIFR[0], 1)], 256 * 1024),
    "timer 1, clk/1": ([(0x81, 1)], (TIFR[1], 0), [(TIFR[1], 1)], 65_536),
    "timer 1, clk/8": ([(0x81, 2)], (TIFR[1], 0), [(TIFR[1], 1)], 65_536 * 8),
    "timer 2, clk/32": ([(0xB1, 3)], (TIFR[2], 0), [(TIFR[2], 1)], 256 * 32),
    "timer 2, clk/128": ([(0xB1, 5)], (TIFR[2], 0), [(TIFR[2], 1)], 256 * 128),
    # Clear timer on compare match: N·(1 + OCRnA).
    "timer 0, CTC": ([(0x44, 2), (0x47, 99), (0x45, 2)], (TIFR[0], 1), [(TIFR[0], 2)], 8 * 100),
    "timer 1, CTC": (
        [(0x89, 0x4E), (0x88, 0x1F), (0x81, 0x08 | 3)], (TIFR[1], 1), [(TIFR[1], 2)], 64 * (1 + 0x4E1F)
    ),
    "timer 2, CTC": ([(0xB0, 2), (0xB3, 249), (0xB1, 4)], (TIFR[2], 1), [(TIFR[2], 2)], 64 * 250),
    # A compare match without clearing comes once a turn.
    "timer 1, match B": ([(0x8B, 0x12), (0x8A, 0x34), (0x81, 1)], (TIFR[1], 2), [(TIFR[1], 4)], 65_536),
    # "ADC Conversion Time": 13 clocks of the converter in free running.
    "converter, clk/128": ([(0x7C, 0), (0x7A, 0xE7)], (0x7A, 4), [(0x7A, 0xB7)], 13 * 128),
    # "Equations for Calculating Baud Rate Register Setting": 16·(UBRR + 1) clocks a bit, 8·(UBRR + 1) with U2X.
    "UART": ([(0xC4, 25), (0xC1, 8)], (0xC0, 5), [(0xC6, 0x55)], 10 * 16 * 26),
    "UART, U2X": ([(0xC0, 2), (0xC4, 51), (0xC1, 8)], (0xC0, 5), [(0xC6, 0x55)], 10 * 8 * 52),
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES)
def test_timers_converter_and_uart_by_the_data_sheet(make, rule):
    """Clocks from one event to the next, seen from outside as edges of a pin; a polling loop is some clocks late."""
    setup, flag, then, clocks = RULES[rule]
    meter = make(avr.elf(avr.toggling(setup, flag, then)))
    edges = edges_of(meter, count=6, limit_s=12 * clocks / 16e6 + 0.2)
    assert [(late - early) * 16e6 for early, late in pairwise(edges[1:])] == pytest.approx([clocks] * 4, abs=12)
    assert (edges[-1] - edges[1]) * 16e6 == pytest.approx(4 * clocks, abs=12)


def test_spi_and_eeprom_by_the_data_sheet(make):
    """SPI: eight bits of 16 clocks, then the loop that starts the next. EEPROM: 3.4 ms to erase and write a byte."""
    spi = avr.toggling([(0x24, 0x2F), (0x4C, 0x51), (0x4E, 0)], (0x4D, 7), [(0x4E, 0)])
    edges = edges_of(make(avr.elf(spi)), count=6, limit_s=0.2)
    assert [(late - early) * 16e6 for early, late in pairwise(edges)] == pytest.approx([8 * 16 + 8] * 5, abs=8)
    eeprom = avr.toggling([(0x41, 9), (0x3F, 4), (0x3F, 2)], (0x3F, 1), [(0x3F, 4), (0x3F, 2)], is_low=True)
    edges = edges_of(make(avr.elf(eeprom)), count=4, limit_s=0.2)
    assert [late - early for early, late in pairwise(edges)] == pytest.approx([3.4e-3] * 3, rel=0.01)


def edges_of(meter, *, count, limit_s):
    """Times at which PB0 changes, s."""
    meter.power()
    edges, level, until_s = [], "low", meter.now_s + limit_s
    while len(edges) < count:
        meter.now_s = meter.chip.advance(until_s)
        assert meter.now_s < until_s, f"{len(edges)} edges in {limit_s:g} s"
        if meter.chip.drives().get("PB0", "low") != level:
            level = meter.chip.drives()["PB0"]
            edges.append(meter.now_s)
    return edges


@pytest.mark.parametrize(("volts", "code"), [(0.0, 0), (2.5, 512), (4.9999, 1023), (5.0, 1023), (9.0, 1023), (-1.0, 0)])
def test_converter_by_the_data_sheet(volts, code):
    """ADC = Vin·1024/Vref, truncated; 1023 is one step below the reference."""
    assert adc_code(volts, 5.0) == code
    assert adc_code(0.004883, 5.0) == 1
    assert adc_code(0.004882, 5.0) == 0


def test_battery(make):
    meter = make(pack_v=7.4)
    meter.power()
    meter.run(0.7)
    code = adc_code(7.4 * 0.4, 5.0)
    assert float(meter.ask("MEAS:BATT?")) == pytest.approx((code + 0.5) * 12.207e-3, abs=1e-3)


def test_start_and_identity(make):
    meter = make()
    meter.power()
    meter.run(0.59)
    assert meter.said == b""
    meter.run(0.05)
    assert meter.said == b"QM-2 1.0.0 ready\n"
    assert meter.ask("*IDN?") == "Quillmere Instruments,QM-2,0,1.0.0"
    assert meter.chip.baud() == pytest.approx(38_400, rel=0.003)
    assert meter.chip.trouble() == ""


def test_stored_constants_survive_power_off(make):
    meter = make()
    meter.power()
    meter.run(0.7)
    meter.ask('SYST:SER "AB-7";CAL:CCAL 1.234E-9;CAL:REL 62501;CAL:STOR;*OPC?')
    meter.power(0.0)
    assert meter.chip.drives() == {}
    meter.run(1.0)
    meter.power()
    meter.run(0.7)
    assert meter.ask("SYST:SER?;CAL:CCAL?;CAL:REL?;SYST:CAUS?") == '"AB-7";1.234000E-09;62501;POWER'
    meter.chip.eeprom[40] ^= 1
    meter.power(0.0)
    meter.power()
    meter.run(0.7)
    assert meter.ask("*TST?;CAL:CCAL?") == "1;1.200000E-09"


def test_brown_out_and_reset_pin(make):
    meter = make()
    meter.power()
    meter.run(0.7)
    meter.power(3.0)
    meter.run(0.1)
    meter.power()
    meter.run(0.7)
    assert meter.ask("SYST:CAUS?") == "BROWN"
    meter.chip.reset_pin(True, meter.now_s)
    meter.chip.reset_pin(False, meter.now_s)
    meter.run(0.7)
    assert meter.ask("SYST:CAUS?") == "EXTERNAL"


def test_relays_lamps_and_display(make):
    meter = make(pack_v=6.0)
    meter.power()
    meter.run(0.8)
    assert (meter.chip.drives()["PD5"], meter.chip.drives()["PD6"]) == ("low", "high")
    meter.ask("DIAG:REL1 ON;DIAG:REL2 ON;*OPC?")
    assert (meter.chip.drives()["PB0"], meter.chip.drives()["PB1"]) == ("high", "high")
    meter.ask('DISP:TEXT "HELLO";*OPC?')
    meter.run(0.3)
    assert meter.chip.display()[1] == "HELLO"


def test_keys_bounce(make):
    meter = make()
    meter.power()
    meter.run(0.7)
    for down, seconds in ((True, 0.003), (False, 0.002), (True, 0.2), (False, 0.003), (True, 0.002), (False, 0.1)):
        meter.bench.keys = ("PD2",) if down else ()
        meter.chip.inputs_changed(meter.now_s)
        meter.run(seconds)
    assert meter.ask("DIAG:PRES?;SENS:FUNC?") == "1,0,0;IND"


# ---- programs gone wrong: never a hang


def test_never_answers(make):
    meter = make(avr.elf(avr.NEVER_ANSWERS))
    meter.power()
    meter.run(3.0)
    assert meter.chip.trouble().startswith("the firmware ran for 2.9 s and sent nothing")


def test_runs_away(make):
    meter = make(avr.elf(avr.RUNS_AWAY))
    meter.power()
    meter.run(3.0)
    assert meter.chip.trouble() == "the firmware ran away: it came to where no program is"


def test_resets_for_ever(make):
    meter = make(avr.elf(avr.RESETS_FOR_EVER))
    meter.power()
    meter.run(3.0)
    assert meter.chip.trouble().startswith("the firmware was reset by its watchdog 3")  # every 16 ms and 65 ms start-up


def test_floods_the_port(make):
    meter = make(avr.elf(avr.FLOODS))
    meter.power()
    meter.run(3.0)
    assert len(meter.said) == pytest.approx(3846 * 2.93, rel=0.01)
    assert meter.chip.trouble().startswith("the firmware floods its port: 11")


def test_the_process_dies(make):
    meter = make()
    meter.power()
    meter.run(0.7)
    meter.chip._link._process.kill()
    with pytest.raises(BenchError, match="the AVR simulation ended in mid-run by signal 9; run the check again"):
        meter.run(1.0)


def test_the_process_hangs():
    import os
    import signal

    process = AvrProcess(build_helper(), limit_s=0.2)
    os.kill(process.pid, signal.SIGSTOP)
    try:
        process.send(b"K\x03")
        with pytest.raises(BenchError, match=r"gave no answer in 0.2 s for 0 s of simulated time; it was ended"):
            process.receive(1)
    finally:
        process.close()


def test_no_compiler(tmp_path):
    with pytest.raises(BenchError) as caught:
        build_helper(compiler="no-such-compiler", cache=tmp_path)
    assert str(caught.value) == (
        "the firmware cannot be run: no C compiler 'no-such-compiler' to build the AVR simulation with. Install a C "
        "compiler and libsimavr: apt-get install gcc libc6-dev libsimavr-dev libelf-dev"
    )


def test_no_library(tmp_path):
    compiler = tmp_path / "cc"
    compiler.write_text("#!/bin/sh\necho 'main.c:1: fatal error: simavr/sim_avr.h: No such file' >&2\nexit 1\n")
    compiler.chmod(0o755)
    with pytest.raises(BenchError, match=r"libsimavr is missing. Install a C compiler and libsimavr: apt-get install"):
        build_helper(compiler=str(compiler), cache=tmp_path)


def test_broken_sources(tmp_path):
    compiler = tmp_path / "cc"
    compiler.write_text("#!/bin/sh\necho 'main.c:7:1: error: expected ;' >&2\nexit 1\n")
    compiler.chmod(0o755)
    with pytest.raises(BenchError, match=r"does not compile with .*: main.c:7:1: error: expected ;"):
        build_helper(compiler=str(compiler), cache=tmp_path)


def test_built_once(tmp_path):
    first = build_helper(cache=tmp_path)
    before = first.stat().st_mtime_ns
    assert build_helper(cache=tmp_path) == first
    assert first.stat().st_mtime_ns == before


def test_files(tmp_path):
    with pytest.raises(BenchError, match=r"the firmware cannot be read .No such file"):
        read_firmware(tmp_path / "none.elf")
    wrong = tmp_path / "wrong.elf"
    wrong.write_bytes(b"hello")
    with pytest.raises(BenchError, match=r"wrong.elf: this is not an ELF file; give the .elf that avr-gcc links"):
        read_firmware(wrong)
