"""PyVISA in process: addresses, time limits, status, device clear, trouble."""

import time

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from hil.simlink import connect

ADDRESS = "SIM0::supply::INSTR"


@pytest.fixture
def manager(link):
    manager = pyvisa.ResourceManager(link.visa_library)
    yield manager
    manager.close()


def opened(manager, role: str = "supply"):
    return manager.open_resource(f"SIM0::{role}::INSTR", read_termination="\n", write_termination="\n")


def test_resources(manager) -> None:
    assert ADDRESS in manager.list_resources()
    assert len(manager.list_resources()) == 6
    assert manager.list_resources("SIM?*volt?*") == ("SIM0::voltmeter::INSTR",)
    with pytest.raises(pyvisa.VisaIOError) as caught:
        manager.open_resource("SIM0::nobody::INSTR")
    assert caught.value.error_code == StatusCode.error_resource_not_found


def test_two_benches_do_not_know_each_other(link, bench) -> None:
    from tests.unit.simlink.conftest import make_bench

    with connect(make_bench(seed=2)) as other:
        managers = [pyvisa.ResourceManager(one.visa_library) for one in (link, other)]
        first, second = map(opened, managers)
        first.query("VOLT 5;*OPC?")
        assert float(second.query("VOLT?")) == 0.0
        for manager in managers:
            manager.close()


def test_a_closed_link_answers_no_more(bench) -> None:
    link = connect(bench)
    link.close()
    with pytest.raises(
        OSError, match=r"no simulated bench answers at 'bench\d+'. Connect one with hil.simlink.connect."
    ):
        pyvisa.ResourceManager(link.visa_library)


def test_a_time_limit_costs_simulated_time_only(manager, link) -> None:
    supply = opened(manager)
    supply.timeout = 250_000
    began_s = time.perf_counter()
    with pytest.raises(pyvisa.VisaIOError) as caught:
        supply.read()
    assert caught.value.error_code == StatusCode.error_timeout
    assert link.clock.monotonic_s() == pytest.approx(250.0)
    assert time.perf_counter() - began_s < 5
    assert supply.query("SYST:ERR?") == '-420,"Query UNTERMINATED"'


def test_an_answer_takes_its_time_and_an_impatient_reader_can_come_back(manager, link) -> None:
    counter = opened(manager, "counter")
    counter.timeout = 400
    counter.write("FREQ:APER 1;:MEAS:FREQ?")
    with pytest.raises(pyvisa.VisaIOError):
        counter.read()
    counter.timeout = 2000
    assert float(counter.read()) == 0.0
    assert link.clock.monotonic_s() == pytest.approx(1.0)
    assert counter.query("SYST:ERR?") == '0,"No error"'


def test_what_others_wait_for_goes_on_meanwhile(manager, link) -> None:
    counter, meter = opened(manager, "counter"), opened(manager, "voltmeter")
    counter.write("MEAS:FREQ?")
    meter.query("MEAS:VOLT?")
    link.clock.sleep(5.0)
    before_s = link.clock.monotonic_s()
    counter.read()
    assert link.clock.monotonic_s() == before_s


def test_device_clear_and_status_byte(manager) -> None:
    supply = opened(manager)
    assert supply.read_stb() == 0
    supply.write("*IDN?")
    assert supply.read_stb() == 0x10
    supply.clear()
    assert supply.read_stb() == 0
    supply.write("NONSENSE")
    assert supply.read_stb() == 0x04
    assert supply.query("*OPC?") == "1"


def test_long_answers_come_in_pieces(manager) -> None:
    supply = opened(manager)
    supply.write("*IDN?")
    assert supply.read_bytes(9) == b"Simulated"
    assert supply.read().startswith(",DC SUPPLY")


def test_closed_sessions(manager) -> None:
    supply = opened(manager)
    supply.close()
    with pytest.raises(pyvisa.errors.InvalidSession):
        supply.query("*IDN?")


@pytest.mark.parametrize(
    ("effect", "status"),
    [("silent", "error_timeout"), ("partial", "error_timeout"), ("vanish", "error_connection_lost")],
)
def test_trouble(link, manager, effect: str, status: str) -> None:
    link.bench.insert("QM2-0001", faults=[f"bench.supply={effect}@1"])
    supply = opened(manager)
    assert supply.query("*IDN?").startswith("Simulated")
    with pytest.raises(pyvisa.VisaIOError) as caught:
        supply.query("*IDN?")
    assert caught.value.error_code == StatusCode[status]
