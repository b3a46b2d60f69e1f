"""Firmware in the loop from the command line: hil check --firmware, hil compare, and every way it can go wrong."""

import json
import os
import re
import runpy
import shutil
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from hil.cli.main import main
from hil.sim.elf import read_elf
from hil.sim.elf_processor import ElfProcessor
from hil.simlink.avr_process import AvrProcess, build_helper

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "fixtures" / "firmware" / "qm2.elf"
avr = SimpleNamespace(**runpy.run_path(str(ROOT / "tests" / "avr_code.py")))
_SHIPPED = (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")
UNCERTAINTY = _SHIPPED[_SHIPPED.index("\n[uncertainty.jig]") : _SHIPPED.index("\n[selector.parts]")]
FEW = ("--units", "3", "--repeats", "1", "--scope", "boxed")
Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(tmp_path, monkeypatch, capsys) -> Call:
    """Run a command in an empty folder; (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> tuple[int, str, str]:
        code = main([str(word) for word in words])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


@pytest.mark.skipif(shutil.which("avr-gcc") is None, reason="no avr-gcc here; the prebuilt ELF cannot be built anew")
def test_the_prebuilt_elf_is_what_the_sources_give(tmp_path):
    folder = tmp_path / "some" / "where"
    shutil.copytree(ROOT / "fixtures" / "firmware" / "src", folder / "src")
    shutil.copy(ROOT / "fixtures" / "firmware" / "Makefile", folder)
    subprocess.run(["make", "-s", "-C", str(folder)], check=True)
    assert (folder / "qm2.elf").read_bytes() == FIRMWARE.read_bytes()


# Short gates, begun at every phase of the free-running prescaler: three clocks lie between one and the next.
PHASES = """
#include <avr/interrupt.h>
#include <util/delay_basic.h>
#include "gate.h"
int main(void) {
    sei();
    for (uint8_t i = 255; i; i--) {
        gate_start(20);
        while (!gate_is_done()) {
        }
        _delay_loop_1(i);
    }
    for (;;) {
    }
}
"""


class Nothing:
    """Surroundings in which nothing happens but pulses."""

    def t0_pulses(self, from_s: float, to_s: float) -> float:
        return 600e3 * (to_s - from_s)

    def clock_hz(self, at_s: float) -> float:
        return 16e6

    def pin_is_high(self, pin: str) -> bool:
        return True

    def aref_v(self) -> float:
        return 5.0

    def adc_samples_v(self, channel: int, at_s: float, count: int) -> list[float]:
        return [0.0] * count

    def adc_v(self, channel: int, at_s: float) -> float:
        return 0.0


@pytest.mark.skipif(shutil.which("avr-gcc") is None, reason="no avr-gcc here; the gate cannot be built by itself")
def test_a_gate_is_as_long_at_every_phase_of_the_prescaler(tmp_path):
    """The prescaler runs freely until it is reset (data sheet, "Prescaler Reset"): started before that, a timer may get
    a step too many."""
    (tmp_path / "phases.c").write_text(PHASES)
    source = ROOT / "fixtures" / "firmware" / "src"
    options = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-std=gnu99", "-fshort-enums", f"-I{source}"]
    elf = tmp_path / "phases.elf"
    subprocess.run(["avr-gcc", *options, tmp_path / "phases.c", source / "gate.c", "-o", elf], check=True)
    process = AvrProcess(build_helper())
    chip = ElfProcessor(Nothing(), bytearray(), read_elf(elf.read_bytes()), process)
    chip.power(5.0, 0.0)
    while chip.at_s < 0.3:
        chip.advance(0.3)
    process.close()
    lengths = [gate.closed - gate.opened for gate in chip.gates]
    assert len(lengths) == 255
    assert max(abs(length - 20 * 256) for length in lengths) <= 2


@pytest.mark.skipif(shutil.which("avr-gcc") is None, reason="no avr-gcc here; nothing can be measured")
def test_the_size_of_the_port_is_what_the_pages_say(tmp_path):
    """Bytes of flash and RAM beside each row of the tables, against avr-size; initial values lie in both."""
    shutil.copytree(ROOT / "fixtures" / "firmware" / "src", tmp_path / "src")
    shutil.copy(ROOT / "fixtures" / "firmware" / "Makefile", tmp_path)
    done = subprocess.run(["make", "-s", "-C", str(tmp_path), "size"], check=True, capture_output=True, text=True)
    sizes = {}
    for line in done.stdout.splitlines():
        text, data, bss, *_, name = line.split()
        if text.isdigit():
            sizes[Path(name).name] = (int(text) + int(data), int(data) + int(bss))
    whole, without = sizes["qm2.elf"], sizes["without_port.elf"]
    port = (whole[0] - without[0], whole[1] - without[1])

    for page, measured in (
        ("bench_port.md", [sizes["bench_port.o"], sizes["commands.o"], port]),
        ("README.md", [whole, port, sizes["bench_port.o"], sizes["commands.o"]]),
    ):
        text = (ROOT / "fixtures" / "firmware" / page).read_text(encoding="utf-8")
        said = re.findall(r"\| ([\d ]+) \| (\d+) \|$", text, re.MULTILINE)
        assert [(int(flash.replace(" ", "")), int(ram)) for flash, ram in said] == measured, page


def test_the_reference_firmware_passes_every_check(call):
    code, out, err = call("check", "Q2-00001", "--firmware", FIRMWARE, "--json")
    assert code == 0, err
    unit = json.loads(out)
    assert (unit["verdict"], unit["simulated"], unit["scope"]) == ("PASS", True, "full")
    assert len(unit["readings"]) >= 140


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"hello", "this is not an ELF file; give the .elf that avr-gcc links (not .hex or .bin)"),
        (avr.elf(b"\0\0", machine=40), "this ELF is for ARM, the meter has an AVR"),
        (avr.elf(bytes(40_000)), "flash ends at byte 40000, the ATmega328P has 32768: 7232 too many"),
    ],
)
def test_files_that_are_no_firmware_are_trouble_of_the_bench(call, tmp_path, content, words):
    (tmp_path / "x.elf").write_bytes(content)
    code, _, err = call("check", "Q2-00001", "--firmware", "x.elf")
    assert code == 3
    assert f"hil: x.elf: {words}" in err


def test_no_such_file(call):
    code, _, err = call("check", "Q2-00001", "--firmware", "none.elf")
    assert (code, err.splitlines()[-1]) == (
        3,
        "hil: none.elf: the firmware cannot be read (No such file or directory). Correct --firmware.",
    )


@pytest.mark.parametrize(
    ("program", "words"),
    [
        ("NEVER_ANSWERS", "and sent nothing."),
        ("RUNS_AWAY", "the firmware ran away: it came to where no program is."),
        ("RESETS_FOR_EVER", "the firmware was reset by its watchdog"),
        ("FLOODS", "the firmware floods its port:"),
    ],
)
def test_programs_gone_wrong_fail_the_unit(call, tmp_path, program, words):
    (tmp_path / "x.elf").write_bytes(avr.elf(getattr(avr, program)))
    code, _, err = call("check", "Q2-00001", "--firmware", "x.elf")
    assert code == 1
    assert words in err


def test_no_compiler_names_the_packages(call, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("CC", "no-such-compiler")
    code, _, err = call("check", "Q2-00001", "--firmware", FIRMWARE)
    assert code == 3
    assert "apt-get install gcc libc6-dev libsimavr-dev libelf-dev" in err
    code, _, err = call("compare", FIRMWARE, FIRMWARE, *FEW)
    assert code == 128
    assert "apt-get install gcc libc6-dev libsimavr-dev libelf-dev" in err


@pytest.fixture
def dying_helper(monkeypatch):
    """The helper is killed from outside after some hundred answers, in the middle of a run."""
    answers = iter(range(10_000_000))
    receive = AvrProcess.receive

    def receive_or_die(self: AvrProcess, size: int, *, simulated_s: float = 0.0) -> bytes:
        if next(answers) == 500:
            os.kill(self.pid, signal.SIGKILL)
        return receive(self, size, simulated_s=simulated_s)

    monkeypatch.setattr(AvrProcess, "receive", receive_or_die)


def test_a_helper_that_dies_in_mid_run_is_trouble_of_the_bench(call, dying_helper, tmp_path):
    code, _, err = call("check", "Q2-00001", "--firmware", FIRMWARE)
    assert code == 3
    assert "the AVR simulation ended in mid-run by signal 9; run the check again" in err
    code, out, _ = call("show", "Q2-00001")
    assert "INCOMPLETE" in out


def test_a_helper_that_dies_stops_a_comparison(call, dying_helper):
    code, out, err = call("compare", FIRMWARE, FIRMWARE, *FEW, "--jobs", "1")
    assert (code, out) == (128, "")
    assert err.count("the AVR simulation ended in mid-run by signal 9; run the check again") == 1


def test_a_process_that_ends_by_itself_stops_a_comparison(call, monkeypatch):
    monkeypatch.setattr("hil.runner.run_unit", _end)
    code, _, err = call("compare", FIRMWARE, FIRMWARE, *FEW, "--jobs", "2")
    assert code == 128
    assert "A process that ran the firmware ended by itself. Compare again, with --jobs 1." in err


def _end(unit_run: object) -> None:
    os._exit(7)


def test_programs_gone_wrong_have_changed(call, tmp_path):
    """To a comparison a firmware that never answers is a finding, not trouble of the bench."""
    (tmp_path / "x.elf").write_bytes(avr.elf(avr.NEVER_ANSWERS))
    code, out, err = call("compare", FIRMWARE, "x.elf", "--units", "1", "--repeats", "1", "--scope", "boxed", "--json")
    assert code == 1, err
    found = {shift["name"]: (shift["finding"], shift["reason"]) for shift in json.loads(out)["shifts"]}
    assert found["c_1n"] == found["probe.time of an answer"] == ("changed", "the candidate has no reading")


def test_files_that_are_no_firmware_stop_a_comparison(call, tmp_path):
    (tmp_path / "x.elf").write_bytes(b":100000000C94")
    code, _, err = call("compare", FIRMWARE, "x.elf")
    assert code == 128
    assert err == "hil: x.elf: this is an Intel HEX file; give the .elf that avr-gcc links (not .hex or .bin).\n"


def test_a_missing_cross_compiler_is_no_finding_about_the_sources(call, tmp_path):
    (tmp_path / "fw").mkdir()
    (tmp_path / "fw" / "Makefile").write_text("x.elf:\n\tno-such-avr-gcc -o $@\n")
    code, _, err = call("compare", FIRMWARE, "fw", *FEW)
    assert (code, err) == (
        128,
        "hil: fw: the compiler no-such-avr-gcc is missing. Install it: apt-get install gcc-avr avr-libc\n",
    )


def test_firmware_on_a_real_bench_is_refused(call, tmp_path):
    (tmp_path / "west.toml").write_text(
        'format = 1\nbench = "west"\nkit = "demo"\nvisa_library = "@py"\n[meter]\nport = "/dev/null"\n[role.operator]\n'
        + UNCERTAINTY
    )
    code, _, err = call("compare", FIRMWARE, FIRMWARE, "--bench", "west.toml", *FEW)
    assert code == 128
    assert "cannot run ELF files side by side" in err


def test_a_baseline_is_kept_and_compared(call, tmp_path, monkeypatch):
    code, out, _ = call("compare", FIRMWARE, "--keep", "good", *FEW)
    assert (code, out) == (0, "kept as 'good': hil-out/baselines/good.json\n")
    assert call("compare", "--baselines")[1].startswith(
        "good: firmware 1.0.0 (qm2.elf), board qm2 A, limits C, scope boxed, bench simulated, 3 units, 1 repeats, 20"
    )
    kept = json.loads((tmp_path / "hil-out" / "baselines" / "good.json").read_text())
    assert (kept["board"], kept["board_revision"], kept["limits_revision"][:1]) == ("qm2", "A", "C")
    assert kept["firmware"]["version"] == "1.0.0"

    code, out, err = call("compare", "good", FIRMWARE, "--scope", "boxed", "--json", "--plot", "shifts.svg")
    assert code == 0, err
    found = json.loads(out)
    assert found["finding"] == "same"
    assert found["candidate"]["units"] == ["CMP-001", "CMP-002", "CMP-003"]
    sizes = {shift["name"]: shift for shift in found["shifts"] if shift["kind"] == "size"}
    assert sizes["flash size"]["baseline"] == found["baseline"]["flash_bytes"] > 10_000
    assert (tmp_path / "shifts.svg").read_text().startswith("<?xml")
    # What is compared besides the readings of the checks: time to answer, settling, warm-up, texts of the display.
    kinds = {shift["name"]: shift["kind"] for shift in found["shifts"]}
    for kind, names in {
        "time": ("start_time", "probe.time of an answer", "probe.time of a relay", "probe.time of a reading"),
        "value": ("f_warm_up", "f_repeatability", "ccal.at_nominal", "probe.shown below zero"),
        "text": ("shown_c_100p", "shown_l_over", "probe.display of inductance", "probe.long line"),
        "size": ("flash size", "ram size"),
    }.items():
        assert {name: kinds[name] for name in names} == dict.fromkeys(names, kind)
    assert found["candidate"]["ram_bytes"] == sizes["ram size"]["candidate"] > 100

    assert call("compare", FIRMWARE, "--keep", "good", *FEW)[0] == 128
    with monkeypatch.context() as nothing_runs:  # what cannot be compared is refused before anything is measured
        nothing_runs.setattr("hil.app.compare_firmware.measure_firmware", None)
        code, _, err = call("compare", "good", FIRMWARE, "--scope", "boxed", "--seed", "5")
    assert code == 128
    assert "the simulated benches differ (seed 0 and 5)" in err
    kept["board_revision"] = "B"
    (tmp_path / "hil-out" / "baselines" / "other.json").write_text(json.dumps(kept))
    code, _, err = call("compare", "good", "other", "--scope", "boxed")
    assert code == 128
    assert (
        "good and other cannot be compared: the baseline is of board revision A, the candidate of B: what differs "
        "would not be the firmware alone." in err
    )


def test_usage_is_128_for_git_bisect(call, tmp_path):
    for words in (
        ("compare",),
        ("compare", "nothing", "more"),
        ("compare", FIRMWARE, FIRMWARE, "--units", "0"),
        ("compare", FIRMWARE, FIRMWARE, "--no-such-option"),
        ("compare", FIRMWARE, FIRMWARE, "--plot", "x.doc"),
        ("compare", "version:9.9", FIRMWARE),
        ("compare", FIRMWARE, "--keep", "../up"),
    ):
        assert call(*words)[0] == 128, words
    (tmp_path / "bad.json").mkdir()
    baselines = tmp_path / "hil-out" / "baselines"
    baselines.mkdir(parents=True)
    (baselines / "broken.json").write_text("{}")
    code, _, err = call("compare", "broken", FIRMWARE)
    assert code == 128
    assert "cannot be used as a baseline: format None, but this version reads 1" in err


def test_what_does_not_build_cannot_be_told(call, tmp_path):
    shutil.copytree(ROOT / "fixtures" / "firmware" / "src", tmp_path / "fw" / "src")
    shutil.copy(ROOT / "fixtures" / "firmware" / "Makefile", tmp_path / "fw")
    (tmp_path / "fw" / "src" / "tank.c").write_text("#error not today\n")
    code, _, err = call("compare", FIRMWARE, "fw", *FEW)
    assert code == 125
    assert "fw: 'make' failed there; run 'make -C fw' to see why." in err


def test_recorded_runs_are_compared_with_themselves(call):
    for serial in ("Q2-00001", "Q2-00002", "Q2-00003"):
        assert call("check", serial, "--scope", "serial_only")[0] == 0
    code, out, err = call("compare", "version:1.0.0", "version:1.0.0", "--scope", "serial_only", "--all")
    assert code == 0, err + out
    code, _, err = call("compare", "lot:none", "version:1.0.0", "--scope", "serial_only")
    assert code == 128
    assert "lot:none: no whole run of scope 'serial_only'" in err
