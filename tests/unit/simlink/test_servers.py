"""The simulated bench on sockets and a pty, spoken to by pyvisa-py and pyserial."""

import time

import pytest
import pyvisa
import serial

from hil.errors import BenchError
from hil.simlink.remote_operator import RemoteOperator
from hil.simlink.servers import WireServer

SPEED = 50.0


@pytest.fixture
def server(bench):
    with WireServer(bench, speed=SPEED) as server:
        yield server


@pytest.fixture
def manager():
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def opened(manager, server, role: str):
    return manager.open_resource(server.addresses[role], read_termination="\n", write_termination="\n", timeout=5000)


def test_a_session_over_the_wire(server, manager) -> None:
    person = RemoteOperator(server.operator_address)
    person.insert("QM2-0001")
    supply, counter = (opened(manager, server, role) for role in ("supply", "counter"))
    assert "SIM" in supply.query("*IDN?").upper()
    with serial.Serial(server.meter_path, 38_400, timeout=5.0) as port:
        assert supply.query("VOLT 7.4;CURR 0.2;:OUTP ON;*OPC?") == "1"
        assert port.readline() == b"QM-2 1.0.0 ready\n"
        port.write(b"CAL:ALL?\n")
        assert port.readline() == b"0\n"
        began_s = time.perf_counter()
        person.probe("TP_COMP")
        frequency_hz = float(counter.query("MEAS:FREQ?"))
        assert 550e3 < frequency_hz < 670e3
        assert time.perf_counter() - began_s < 2.0  # a gate of one second, fifty times as fast
        assert person.read_display().startswith("C=")
        assert person.lamp_is_lit("LED1")
        person.watch()
        assert person.was_steady()
        person.press(["KEY1"], 0.2)
        port.write(b"SENS:FUNC?\n")
        assert port.readline() == b"IND\n"
    person.close()


def test_errors_over_the_wire(server, manager) -> None:
    meter = opened(manager, server, "voltmeter")
    meter.write("NONSENSE")
    assert meter.query("SYST:ERR?") == '-113,"Undefined header"'


def test_the_person_says_what_is_wrong(server) -> None:
    person = RemoteOperator(server.operator_address)
    with pytest.raises(BenchError, match="no such action: 'levitate'; known: insert, conjure, fit"):
        person._ask("levitate")
    with pytest.raises(BenchError, match="R999"):
        person.conjure("QM2-0001", ["R999=open"])
    person.conjure("QM2-0001", ["R5=open"])
    assert server.call(lambda: server.bench.unit.model.faults[0].text) == "R5=open"
    person.close()


def test_connections_that_are_lost(server, manager) -> None:
    person = RemoteOperator(server.operator_address)
    person.conjure("QM2-0001", ["bench.supply=vanish@1", "bench.meter=vanish"])
    supply = opened(manager, server, "supply")
    supply.query("*IDN?")
    supply.timeout = 500
    with pytest.raises((pyvisa.VisaIOError, OSError)):
        supply.query("*IDN?")
    port = serial.Serial(server.meter_path, 38_400, timeout=2.0)
    port.write(b"*IDN?\n")
    with pytest.raises((serial.SerialException, OSError)):
        port.read(100)
    port.close()


def test_a_server_that_has_gone(bench) -> None:
    with WireServer(bench) as server:
        address = server.operator_address
        person = RemoteOperator(address)
    with pytest.raises(BenchError, match="Start the simulated bench again"):
        person.read_display()
    with pytest.raises(BenchError, match="cannot be reached"):
        RemoteOperator(address)


def test_speeds(bench) -> None:
    with pytest.raises(ValueError, match="the speed must be more than zero"):
        WireServer(bench, speed=0)
