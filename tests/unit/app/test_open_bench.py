"""Opening a bench: one run at a time, the right instruments, everything off on every way out."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from hil.app.locate import FOLDERS, load_bench, load_kit
from hil.app.lock import BenchLock
from hil.app.open_bench import Bench, open_bench, refuse_simulation_options
from hil.core.equipment import Kit
from hil.errors import BenchError, InstrumentError, UsageError
from hil.files.bench import BenchFile, parse_bench

TODAY = "2026-11-25"


@cache
def kit() -> Kit:
    return load_kit("demo", today=TODAY)


@cache
def spec() -> BenchFile:
    return load_bench("simulated")


@pytest.fixture
def bench() -> Iterator[Bench]:
    with open_bench(spec(), kit()) as opened:
        yield opened


@pytest.fixture
def troubled() -> Iterator[Bench]:
    """A bench that the test brings into trouble, so that it cannot be switched off at the end."""
    bench = open_bench(spec(), kit())
    yield bench
    with suppress(BenchError):
        bench.close()


def is_off(bench: Bench) -> bool:
    assert bench.supply is not None
    return abs(bench.supply.voltage_v()) < 0.05


# Ports


def test_every_role_of_the_file_is_open_and_has_said_who_it_is(bench: Bench) -> None:
    assert {one.role for one in bench.identities} == {
        "supply", "voltmeter", "counter", "generator", "selector", "thermometer",
    }  # fmt: skip
    assert all("Simulated" in one.identity for one in bench.identities)
    assert bench.simulated
    assert bench.programmer is None


def test_a_unit_answers_through_the_real_drivers(bench: Bench) -> None:
    assert bench.supply is not None
    bench.insert("QM2-0001")
    bench.supply.set(7.4, 0.15)
    bench.supply.on()
    assert bench.meter.await_start(timeout_s=1.0)
    assert bench.meter.ask("*IDN?").startswith("Quillmere Instruments,QM-2,0,")
    raw = [str(one) for one in bench.trace.drain()]
    assert 'supply: OUTP ON;*OPC?;:SYST:ERR? → 1;0,"No error"' in raw
    assert raw[-1].startswith("meter: *IDN? → Quillmere Instruments,QM-2,0,")


def test_a_new_unit_comes_into_a_jig_that_is_switched_off(bench: Bench) -> None:
    assert bench.supply is not None
    bench.insert("QM2-0001")
    bench.supply.set(7.4, 0.15)
    bench.supply.on()
    bench.insert("QM2-0002")
    assert is_off(bench)


def test_an_unknown_fault_is_a_usage_error(bench: Bench) -> None:
    with pytest.raises(UsageError, match="--fault: "):
        bench.insert("QM2-0001", faults=["R999=open"])


def test_an_instrument_that_was_changed_between_two_units_is_noticed(bench: Bench) -> None:
    bench.insert("QM2-0001")
    with pytest.raises(InstrumentError) as caught:
        bench.insert("QM2-0002", faults=["bench.counter=wrong_identity"])
    assert re.fullmatch(
        r"counter at SIM0::counter::INSTR: another instrument answers: 'Other,PS-1,0,0' does not fit "
        r"identity = '\(\?i\)sim' \(fixtures/benches/simulated\.toml:\d+\)\. "
        r"Connect the right one, or correct the bench file with its certificate\.",
        str(caught.value),
    )


@pytest.mark.parametrize("effect", ["silent", "garbage", "partial", "vanish"])
@pytest.mark.parametrize("role", ["supply", "voltmeter", "counter", "generator", "selector", "thermometer"])
def test_an_instrument_in_trouble_names_itself_in_bounded_bench_time(troubled: Bench, role: str, effect: str) -> None:
    began_s = troubled.clock.monotonic_s()
    with pytest.raises(InstrumentError) as caught:
        troubled.insert("QM2-0001", faults=[f"bench.{role}={effect}"])
    assert caught.value.role == role
    assert troubled.clock.monotonic_s() - began_s < 30


# Out


def test_outputs_are_off_after_an_exception() -> None:
    off: list[bool] = []
    with pytest.raises(ZeroDivisionError), open_bench(spec(), kit()) as bench:  # noqa: PT012 - the way out is tested
        assert bench.supply is not None
        watched = bench.supply.off
        bench.supply.off = lambda: (watched(), off.append(is_off(bench)))  # type: ignore[method-assign,assignment]
        bench.supply.set(7.4, 0.15)
        bench.supply.on()
        raise ZeroDivisionError
    assert off == [True]


def test_what_cannot_be_switched_off_is_told_and_the_rest_is_switched_off(troubled: Bench) -> None:
    assert troubled.generator is not None
    troubled.insert("QM2-0001")
    with pytest.raises(InstrumentError):
        troubled.insert("QM2-0001", faults=["bench.generator=vanish"])
    with pytest.raises(BenchError) as caught:
        troubled.make_safe()
    assert str(caught.value).startswith("Switch the outputs off by hand, something may still be on: generator at SIM0")
    assert is_off(troubled)


def test_a_bench_that_cannot_be_switched_off_does_not_hide_why_the_run_ended() -> None:
    with pytest.raises(ZeroDivisionError) as caught, open_bench(spec(), kit()) as bench:  # noqa: PT012
        bench.insert("QM2-0001")
        with pytest.raises(InstrumentError):
            bench.insert("QM2-0001", faults=["bench.supply=vanish"])
        raise ZeroDivisionError
    assert "Switch the outputs off by hand" in caught.value.__notes__[0]


_HOLDER = """
import sys, time
from hil.app.locate import load_bench, load_kit
from hil.app.open_bench import open_bench
with open_bench(load_bench("simulated"), load_kit("demo", today="2026-11-25")) as bench:
    watched = bench.supply.off
    def off():
        time.sleep(float(sys.argv[1]))
        watched()
        print("off", bench.supply.voltage_v(), flush=True)
    bench.supply.off = off
    bench.supply.set(7.4, 0.15)
    bench.supply.on()
    print("on", flush=True)
    while True:
        time.sleep(0.01)
"""


@pytest.mark.parametrize("signals", [[signal.SIGINT], [signal.SIGTERM], [signal.SIGHUP], [signal.SIGINT] * 2])
def test_outputs_are_off_after_a_signal_even_when_it_comes_twice(signals: list[signal.Signals]) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", _HOLDER, "0.4"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    with process:
        assert process.stdout is not None
        assert process.stdout.readline() == "on\n"
        for one in signals:
            process.send_signal(one)
            time.sleep(0.15)
        output, errors = process.communicate(timeout=30)
    word, _, volts = output.partition(" ")
    assert word == "off", errors
    assert abs(float(volts)) < 0.05
    assert "KeyboardInterrupt" in errors
    assert process.returncode != 0


# One at a time


def test_second_run_at_once_names_who_holds_the_bench_and_since_when(tmp_path: Path) -> None:
    first = BenchLock("west", since="2026-11-25T10:00:00+00:00", folder=tmp_path)
    with pytest.raises(BenchError) as caught:
        BenchLock("west", since="2026-11-25T10:05:00+00:00", folder=tmp_path)
    assert str(caught.value) == (
        f"bench 'west' is in use by process {os.getpid()} since 2026-11-25T10:00:00+00:00. "
        "Wait until it is done, or end it."
    )
    BenchLock("east", since="", folder=tmp_path).release()
    BenchLock("west", ports=["/dev/ttyUSB0"], since="", folder=tmp_path).release()  # another one of that name
    first.release()
    BenchLock("west", since="", folder=tmp_path).release()


def test_benches_that_share_a_port_wait_for_each_other_whatever_their_names(tmp_path: Path) -> None:
    first = BenchLock("west", ports=["/dev/ttyUSB0", "ASRL1"], since="2026-11-25T10:00:00+00:00", folder=tmp_path)
    with pytest.raises(BenchError) as caught:
        BenchLock("east", ports=["/dev/ttyUSB1", "ASRL1"], since="2026-11-25T10:05:00+00:00", folder=tmp_path)
    assert str(caught.value) == (
        f"bench 'east': ASRL1 is in use by process {os.getpid()} since 2026-11-25T10:00:00+00:00. "
        "Wait until it is done, or end it."
    )
    BenchLock("north", ports=["/dev/ttyUSB1"], since="", folder=tmp_path).release()  # what it had is free again
    first.release()


def test_lock_files_are_for_all_users_and_follow_no_link(tmp_path: Path) -> None:
    folder = tmp_path / "locks"
    before = os.umask(0o077)
    try:
        BenchLock("west", since="", folder=folder).release()
    finally:
        os.umask(before)
    (file,) = folder.iterdir()
    assert (folder.stat().st_mode & 0o7777, file.stat().st_mode & 0o777) == (0o1777, 0o666)
    file.unlink()
    file.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(BenchError, match="cannot be made"):
        BenchLock("west", since="", folder=folder)
    assert not (tmp_path / "elsewhere").exists()


def test_a_killed_run_leaves_the_bench_free(tmp_path: Path) -> None:
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom hil.app.lock import BenchLock\n"
        "lock = BenchLock('west', since='now', folder=Path(sys.argv[1]))\nprint('held', flush=True)\ntime.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        with pytest.raises(BenchError, match=f"by process {process.pid} since now"):
            BenchLock("west", since="", folder=tmp_path)
        process.kill()
        process.wait()
    BenchLock("west", since="", folder=tmp_path).release()


def test_a_bench_that_cannot_be_opened_is_free_again(tmp_path: Path) -> None:
    nobody = _real("[meter]\nport = '/dev/no-such-port'\n")
    for _ in range(2):
        with pytest.raises(InstrumentError, match="the serial port cannot be opened"):
            open_bench(nobody, kit(), lock_dir=tmp_path)


# Real and simulated


def _real(rest: str) -> BenchFile:
    return parse_bench("real.toml", f"format = 1\nbench = 'real'\nkit = 'demo'\nvisa_library = '@py'\n{rest}")


def test_seed_and_fault_on_a_real_bench_are_usage_errors() -> None:
    real = _real("[meter]\nport = '/dev/ttyUSB0'\n")
    refuse_simulation_options(real, seed=None, faults=())
    with pytest.raises(
        UsageError, match=r"--seed: bench 'real' \(real.toml\) is not simulated by this process\. Leave"
    ):
        refuse_simulation_options(real, seed=1, faults=())
    with pytest.raises(UsageError, match=r"--fault: bench 'real' \(real.toml\) is not simulated"):
        refuse_simulation_options(real, seed=None, faults=["R5=open"])
    with pytest.raises(UsageError, match="--seed"):
        open_bench(real, kit(), seed=1)


def test_a_simulated_instrument_makes_the_bench_simulated_whatever_its_file_says() -> None:
    with open_bench(replace(spec(), simulated=False), kit()) as bench:
        assert bench.simulated


def test_a_command_set_for_another_kind_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    wrong = _real(
        "[meter]\nport = '/dev/no-such-port'\n"
        "[role.supply]\naddress = 'TCPIP::127.0.0.1::1::SOCKET'\ncommands = 'scpi_counter'\n"
    )
    with pytest.raises(UsageError) as caught:
        open_bench(wrong, kit(), lock_dir=tmp_path)
    assert str(caught.value) == "real.toml:7: role.supply.commands: 'scpi_counter' is for a counter, not for a supply."


def test_a_command_set_beside_the_bench_file(tmp_path: Path) -> None:
    text = (FOLDERS["bench"] / "simulated.toml").read_text()
    shipped = (FOLDERS["commands"] / "scpi_supply.toml").read_text()
    (tmp_path / "mine.toml").write_text(shipped.replace("MEAS:VOLT?", "MEASure:SCALar:VOLTage:DC?"))
    path = tmp_path / "bench.toml"
    path.write_text(text.replace('"scpi_supply"', '"./mine.toml"'))
    with open_bench(load_bench(str(path)), kit()) as bench:
        assert bench.supply is not None
        bench.trace.drain()
        bench.supply.voltage_v()
        assert str(bench.trace.drain()[0]).startswith("supply: MEASure:SCALar:VOLTage:DC? →")


def test_a_bench_without_a_port_to_the_meter_says_so_when_it_is_asked(tmp_path: Path) -> None:
    with open_bench(_real("[role.operator]\n"), kit(), lock_dir=tmp_path) as bench:
        assert bench.meter.await_start() is None
        with pytest.raises(BenchError, match=r"'READ\?' cannot be asked: real.toml has no \[meter\]"):
            bench.meter.ask("READ?")
