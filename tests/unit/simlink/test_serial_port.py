"""pyserial in process: the meter's port on the simulated bench."""

import pytest
import pyvisa
import serial

READY = b"QM-2 1.0.0 ready\n"


@pytest.fixture
def supply(link):
    manager = pyvisa.ResourceManager(link.visa_library)
    supply = manager.open_resource("SIM0::supply::INSTR", read_termination="\n", write_termination="\n")
    yield supply
    manager.close()


@pytest.fixture
def start(link, supply):
    """Insert a unit, open its port, switch on."""
    ports = []

    def start(*faults: str, serial_number: str = "QM2-0001", baud: int = 38_400):
        link.bench.insert(serial_number, faults=faults)
        port = serial.serial_for_url(link.meter_url, baudrate=baud, timeout=2.0)
        ports.append(port)
        supply.query("VOLT 7.4;CURR 0.2;:OUTP ON;*OPC?")
        return port

    yield start
    for port in ports:
        port.close()


def ask(port, line: str) -> bytes:
    port.write(line.encode() + b"\n")
    return port.readline()


def test_a_unit_starts_and_answers(start, link) -> None:
    port = start()
    assert port.readline() == READY
    assert link.clock.monotonic_s() == pytest.approx(0.62, abs=0.03)
    assert ask(port, "*IDN?") == b"Quillmere Instruments,QM-2,0,1.0.0\n"
    assert ask(port, 'SYST:SER "QM2-0001";:SYST:SER?') == b'"QM2-0001"\n'


def test_bytes_take_their_time(start, link) -> None:
    port = start()
    port.readline()
    before_s = link.clock.monotonic_s()
    port.write(b"*IDN?\n")
    port.flush()
    sent_s = link.clock.monotonic_s()
    assert sent_s - before_s == pytest.approx(6 * 10 / 38_400)
    answer = port.readline()
    assert link.clock.monotonic_s() - sent_s >= len(answer) * 10 / 38_500


def test_time_limits_are_simulated_and_deliver_what_has_come(start, link) -> None:
    port = start()
    assert port.read(5) == READY[:5]
    assert port.in_waiting >= 0
    assert port.read(100) == READY[5:]
    before_s = link.clock.monotonic_s()
    assert port.readline() == b""
    assert link.clock.monotonic_s() - before_s == pytest.approx(2.0)
    port.timeout = 0
    assert port.read(10) == b""
    assert link.clock.monotonic_s() - before_s == pytest.approx(2.0)


def test_another_speed_is_garbage(start) -> None:
    port = start(baud=9_600)
    port.timeout = 1.0
    heard = port.read(100)
    assert heard
    assert b"QM-2" not in heard
    port.write(b"*IDN?\n")
    assert b"Quillmere" not in port.read(100)


def test_a_divided_clock_is_garbage(start) -> None:
    port = start("U3=clock/8")
    port.timeout = 8.0
    heard = port.read(200)
    assert heard
    assert b"QM-2" not in heard


@pytest.mark.parametrize("fault", ["U3=blank", "R6=open", "Y1=open", "bench.meter=silent"])
def test_silence(start, fault: str) -> None:
    port = start(fault)
    assert port.readline() == b""


def test_a_broken_input_line(start) -> None:
    port = start("R5=open")
    assert port.readline() == READY
    assert ask(port, "*IDN?") == b""


def test_an_adapter_that_is_pulled_out(start) -> None:
    port = start("bench.meter=vanish@1")
    port.readline()
    assert ask(port, "*OPC?") == b"1\n"
    with pytest.raises(serial.SerialException):
        ask(port, "*OPC?")
    with pytest.raises(serial.SerialException):
        _ = port.in_waiting


def test_partial_lines_and_a_restart(start) -> None:
    port = start("bench.meter=partial@1")
    port.readline()
    assert ask(port, "*OPC?") == b"1\n"
    assert ask(port, "*OPC?") == b"1"
    port = start("bench.meter=reboot@1", serial_number="QM2-0002")
    port.readline()
    assert ask(port, "*OPC?") == b"1\n"
    assert ask(port, "*OPC?") == READY
    assert ask(port, "SYST:CAUS?") == b"EXTERNAL\n"


def test_a_port_that_nobody_serves(link) -> None:
    with pytest.raises(serial.SerialException, match="no simulated bench answers to 'elsewhere'"):
        serial.serial_for_url("hil-sim://elsewhere")
    port = serial.serial_for_url(link.meter_url)
    with pytest.raises(serial.SerialException, match="already open"):
        port.open()
    port.close()
    with pytest.raises(serial.PortNotOpenError):
        port.read()
    with pytest.raises(serial.PortNotOpenError):
        port.write(b"x")


def test_power_off_is_silence_and_stored_constants_survive(start, supply, link) -> None:
    port = start()
    port.readline()
    ask(port, 'SYST:SER "QM2-0001";:CAL:CCAL 1.21E-9;:CAL:STOR;*OPC?')
    supply.query("OUTP OFF;*OPC?")
    assert ask(port, "*OPC?") == b""
    supply.query("OUTP ON;*OPC?")
    assert port.readline() == READY
    assert ask(port, "CAL:CCAL?;:SYST:SER?;:SYST:CAUS?") == b'1.210000E-09;"QM2-0001";POWER\n'
    link.bench.insert("QM2-0002")
    link.bench.insert("QM2-0001", attempt=2)  # the same unit again
    port.reset_input_buffer()
    supply.query("OUTP OFF;:OUTP ON;*OPC?")
    port.readline()
    assert ask(port, "SYST:SER?") == b'"QM2-0001"\n'


def test_reading_until_a_mark_leaves_what_comes_after_it(start) -> None:
    port = start()
    assert port.read_until(b"1.0", 100) == b"QM-2 1.0"
    assert port.read_until(b"\n", 3) == b".0 "
    assert port.read_until() == b"ready\n"
    port.write(b"*OPC?\n*OPC?\n")
    assert port.read_until() == b"1\n"
    assert port.read(10) == b"1\n"
    port.timeout = 0.1
    assert port.read_until() == b""
