"""The same checks over the real wire: sockets through pyvisa-py, a pty through pyserial; the bench file decides."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

from hil.errors import HilError
from hil.store.sqlite_store import open_store

HIL = (sys.executable, "-m", "hil")
FAULTY = {
    "QM2-0102": "K1=stuck_open",
    "QM2-0104": "C1=x10",
    "QM2-0106": "U1=open",
    "QM2-0108": "Y1=open",
    "QM2-0110": "L1=short",
}


class Wire:
    """`hil wire` in a process of its own."""

    def __init__(self, folder: Path, *, speed: float) -> None:
        self.folder, self.bench_file = folder, folder / "wire.toml"
        words = ("wire", "--speed", f"{speed:g}", "--write", str(self.bench_file), "--seconds", "1200")
        self.process = subprocess.Popen((*HIL, *words), stdout=subprocess.PIPE, text=True, cwd=folder)
        assert self.process.stdout is not None
        self.said = [self.process.stdout.readline() for _ in range(9)]

    def hil(self, *words: str, out: str = "out") -> tuple[int, list[dict[str, Any]], str]:
        return run(self.folder, *words, "--bench", str(self.bench_file), "--out", out)

    def close(self) -> None:
        self.process.send_signal(signal.SIGINT)
        self.process.communicate(timeout=20)


def run(folder: Path, *words: str) -> tuple[int, list[dict[str, Any]], str]:
    done = subprocess.run((*HIL, *words), capture_output=True, text=True, cwd=folder, timeout=280)
    units = [json.loads(line) for line in done.stdout.splitlines()] if "--json" in words else []
    return done.returncode, units, done.stderr


def _judged(out: Path) -> list[str]:
    """Names of the readings of the latest run, as the record has them now."""
    try:
        with open_store(str(out / "simulated.sqlite"), read_only=True) as store:
            runs = store.summaries()
            return [reading.name for reading in store.run(runs[-1].run).readings] if runs else []
    except HilError:  # it is not there yet
        return []


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[Wire]:
    served = Wire(tmp_path, speed=20)
    yield served
    served.close()


@pytest.fixture
def slow_wire(tmp_path: Path) -> Iterator[Wire]:
    """At this speed a machine that does something else for 50 ms costs the unit a quarter of a second, not one."""
    served = Wire(tmp_path, speed=5)
    yield served
    served.close()


def test_a_unit_is_checked_over_the_wire_and_is_simulated_all_the_same(wire: Wire) -> None:
    code, (unit,), err = wire.hil("check", "QM2-0001", "--only", "contact_* rail_5v_*", "--json")
    assert code == 2, err  # part of the rows is never a pass
    assert unit["simulated"] is True
    assert {reading["verdict"] for reading in unit["readings"]} == {"pass"}
    assert len(unit["readings"]) >= 5
    assert "SIMULATED" in err
    assert (wire.folder / "out" / "simulated.sqlite").is_file()
    assert not (wire.folder / "out" / "records.sqlite").exists()


def test_a_study_over_the_wire(wire: Wire) -> None:
    """Units stay in the jig between the repeats of a fitting, and the scatter put in is that of fittings."""
    faults = ("--fault", "bench.jig.contact=200mohm", "--fault", "bench.jig.contact.fitting=40mohm")
    words = ("--units", "U1,U2", "--fittings", "3", "--repeats", "2", "--only", "contact_gnd", "--seed", "1")
    assert wire.hil("study", "plan", "jig", *words, *faults)[0] == 0
    code, _, err = wire.hil("study", "run", "jig")
    assert code == 0, err
    assert "12 runs taken, 0 of 12 missing" in err
    code, (found,), err = run(wire.folder, "study", "evaluate", "jig", "--out", "out", "--json")
    assert code == 0, err
    assert found["simulated"] is True
    assert found["checks"][0]["dominant"] == "fitting"


def test_a_fault_is_found_over_the_wire(wire: Wire) -> None:
    code, (unit,), err = wire.hil("check", "QM2-0106", "--fault", "U1=open", "--json")
    assert (code, unit["verdict"]) == (1, "FAIL"), err


def test_the_seed_belongs_to_the_process_that_simulates(wire: Wire) -> None:
    code, _, err = wire.hil("check", "QM2-0001", "--seed", "3")
    assert code == 4
    assert "Give it to 'hil wire'" in err


def test_a_second_run_at_once_is_told_who_has_the_bench(slow_wire: Wire) -> None:
    wire = slow_wire
    words = ("check", "QM2-0001", "--bench", str(wire.bench_file), "--out", "first", "--json")
    with subprocess.Popen((*HIL, *words), cwd=wire.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as first:
        deadline_s = time.monotonic() + 30
        record = wire.folder / "first" / "simulated.sqlite"
        while not record.exists() and time.monotonic() < deadline_s:
            time.sleep(0.05)
        code, _, err = wire.hil("check", "QM2-0002", out="second")
        assert code == 3
        assert f" is in use by process {first.pid} since 20" in err
        first.send_signal(signal.SIGINT)
        _, errors = first.communicate(timeout=60)
        assert first.returncode == 2, errors
        assert b"hil: interrupted. QM2-0001: " in errors
        assert b" rows were judged and are kept: hil show 20" in errors
    code, (unit,), _ = wire.hil("check", "QM2-0001", "--only", "rail_5v*", "--json", out="third")
    assert unit["readings"], "the bench is free again and its outputs were switched off"


def test_a_killed_run_leaves_nothing_on(slow_wire: Wire) -> None:
    """Seen by a plain PyVISA session; the guardian says on the terminal what it has done."""
    wire = slow_wire
    address = next(line.split()[1] for line in wire.said if line.startswith("supply"))
    words = ("check", "QM2-0001", "--bench", str(wire.bench_file), "--out", "killed")
    with subprocess.Popen((*HIL, *words), cwd=wire.folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as run:
        deadline_s = time.monotonic() + 60
        while "rail_5v_low" not in _judged(wire.folder / "killed") and time.monotonic() < deadline_s:
            time.sleep(0.05)  # the unit is powered from there on
        run.kill()
        _, errors = run.communicate(timeout=30)  # the guardian holds the pipe until it has done its work
    assert f"hil: process {run.pid} ended without switching the outputs off. They are off now." in errors.decode()
    manager = pyvisa.ResourceManager("@py")
    supply = manager.open_resource(address, read_termination="\n", write_termination="\n")
    assert isinstance(supply, MessageBasedResource)
    assert supply.query("OUTP?") == "0"
    supply.close()
    manager.close()
    code, _, err = wire.hil("check", "QM2-0001", "--only", "rail_5v*", out="killed")
    assert code == 2, err


def test_a_bench_that_went_away_is_trouble_of_the_bench(wire: Wire) -> None:
    text = wire.bench_file.read_text()
    wire.process.kill()
    wire.process.wait()
    wire.bench_file.write_text(text)
    began_s = time.monotonic()
    code, _, err = wire.hil("check", "QM2-0001")
    assert code == 3, err
    assert time.monotonic() - began_s < 30
    assert "hil: " in err.splitlines()[-1]


def test_the_bench_file_goes_with_the_bench(tmp_path: Path) -> None:
    served = Wire(tmp_path, speed=20)
    assert served.bench_file.is_file()
    assert served.said[-1].startswith("SIMULATED, 20 times real time. Bench file: ")
    os.kill(served.process.pid, signal.SIGINT)
    assert served.process.wait(timeout=20) == 0
    assert not served.bench_file.exists()


@pytest.mark.study
def test_ten_units_five_of_them_faulty_get_the_same_verdicts_in_process_and_over_the_wire(slow_wire: Wire) -> None:
    wire = slow_wire
    found: dict[str, dict[str, tuple[str, list[str]]]] = {"in process": {}, "wire": {}}
    for number in range(101, 111):
        serial = f"QM2-{number:04d}"
        faults = ("--fault", FAULTY[serial]) if serial in FAULTY else ()
        for way in found:
            words = ("check", serial, *faults, "--json")
            _, (unit,), _ = wire.hil(*words) if way == "wire" else run(wire.folder, *words, "--out", "in-process")
            failed = [one["name"] for one in unit["readings"] if one["verdict"] == "fail"]
            found[way][serial] = (f"{unit['verdict']} {unit['reason']}", failed)
    assert found["wire"] == found["in process"]
    for serial, (verdict, _) in found["wire"].items():
        assert verdict.startswith("FAIL" if serial in FAULTY else "PASS"), (serial, verdict)
