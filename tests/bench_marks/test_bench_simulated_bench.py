"""What the simulated bench costs: a question to an instrument, one to the meter, a minute of the meter's life."""

from collections.abc import Iterator

import pytest
import pyvisa
import serial

from hil.app.locate import label_of, locate, read_text
from hil.app.simulated import simulated_bench
from hil.files.bench import parse_bench
from hil.files.parts import parse_kit
from hil.simlink import SimLink, connect


@pytest.fixture(scope="module")
def running() -> Iterator[tuple[SimLink, object, serial.Serial]]:
    path, kit_path = locate("bench", "simulated"), locate("kit", "demo")
    spec = parse_bench(label_of(path), read_text(path))
    kit = parse_kit(label_of(kit_path), read_text(kit_path), today="2026-11-02")
    with connect(simulated_bench(spec, kit, board="qm2", seed=1)) as link:
        link.bench.insert("QM2-0001")
        manager = pyvisa.ResourceManager(link.visa_library)
        supply = manager.open_resource("SIM0::supply::INSTR", read_termination="\n", write_termination="\n")
        port = serial.serial_for_url(link.meter_url, baudrate=38_400, timeout=3.0)
        supply.query("VOLT 7.4;CURR 0.2;:OUTP ON;*OPC?")
        port.readline()
        yield link, supply, port
        port.close()
        manager.close()


def test_question_to_an_instrument(benchmark, running) -> None:
    assert benchmark(running[1].query, "MEAS:CURR?").startswith("+")


def test_question_to_the_meter(benchmark, running) -> None:
    def ask() -> bytes:
        running[2].write(b"SYST:ERR?\n")
        return running[2].readline()

    assert benchmark(ask) == b'0,"No error"\n'


def test_a_minute_of_the_meters_life(benchmark, running) -> None:
    link = running[0]

    def wait() -> float:
        before_s = link.clock.monotonic_s()
        link.clock.sleep(60.0)
        link.bench.sync()
        return link.bench.at_s - before_s

    assert benchmark(wait) == pytest.approx(60.0)
