"""A bench without instruments: every value is typed in at a terminal, every part fitted by a person, up to a verdict.

The person is a script at a pseudo-terminal. It knows nothing but what the screen asks; its hands and eyes are those of
the simulated operator at a bench that this test serves, so that what it types is what stands there to be read.
"""

import fcntl
import json
import os
import re
import select
import struct
import subprocess
import sys
import termios
import time
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from hil.app.locate import load_bench, load_kit_of
from hil.app.simulated import simulated_bench
from hil.simlink.servers import WireServer
from hil.suite import ROOT

SPEED = 5.0  # a machine that does something else for 50 ms costs the unit a quarter of a second, not one
ANSWERS_AFTER_S = 0.1  # half a second on the bench: a person is never at once
LIMIT_S = 240.0
CLIPS = """[role.counter]
by_hand = true
accuracy = { frequency = "0.2 ppm" }

[role.generator]
by_hand = true
accuracy = { frequency = "0.2 ppm" }

"""
_ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
_ASKED = re.compile(r"[^\n]*(\[Y/n\] |, in \S+: |between its lines: |; no answer is needed\.\n)$")


class Person:
    """Reads the screen, does what it says, types the answer."""

    def __init__(self, server: WireServer) -> None:
        self._server, self._bench = server, server.bench
        self.asked: list[tuple[str, str]] = []
        self.screen = ""
        self.on_fit: Callable[[str], str] = lambda part: part  # which part is really taken

    def check(self, folder: Path, *words: str) -> int:
        """Run ``hil`` with this person in front of it; the exit code."""
        ours, theirs = os.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 100, 0, 0))
        command = (sys.executable, "-m", "hil", *words)
        process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder)
        os.close(theirs)
        line, end_s = "", time.monotonic() + LIMIT_S
        try:
            while time.monotonic() < end_s:
                if not select.select([ours], [], [], 1.0)[0]:
                    continue
                try:
                    data = os.read(ours, 65536).decode("utf-8", "replace")
                except OSError:  # nobody is at the other end any more
                    break
                self.screen += data
                line += _ESCAPE.sub(lambda code: "\n" if code[0] == "\x1b[2K" else "", data).replace("\r", "\n")
                line = re.sub(r"\n+", "\n", line)
                asked = _ASKED.search(line)
                if asked is None:
                    continue
                line, question = "", asked[0].strip()
                answer = self._do(question)
                self.asked.append((question, answer))
                if not question.endswith("no answer is needed."):
                    time.sleep(ANSWERS_AFTER_S)
                    os.write(ours, f"{answer}\n".encode())
            return process.wait(timeout=20)
        finally:
            process.kill()
            process.wait()
            os.close(ours)

    def _do(self, question: str) -> str:
        return self._server.call(lambda: self._act(question))

    def _act(self, question: str) -> str:
        operator = self._bench.operator
        if found := re.search(r"Put unit (\S+) into the jig", question):
            self._bench.insert(found[1])
        elif "Take everything off" in question:
            operator.fit("open", "")
        elif "shorting bar" in question:
            operator.fit("short", "")
        elif found := re.search(r"Fit (\S+) \(", question):
            operator.fit(self.on_fit(found[1]), "")
        elif found := re.search(r"Connect both leads of the \w+ to (\w+)\.", question):
            operator.probe(f"{found[1]}:{found[1]}")
        elif found := re.search(r"Connect the \w+ to (\w+), its other lead to (\w+)\.", question):
            operator.probe(found[1] if found[2] == "GND" else f"{found[1]}:{found[2]}")
        elif "off the board" in question:
            operator.probe("GND")
        elif found := re.search(r"Press (.*?)(?: together)? (?:briefly|for about ([\d.]+) s)", question):
            operator.press(found[1].split(" and "), float(found[2] or 0.2))
        elif "Type what the display shows" in question:
            return operator.read_display().replace("\n", "|")
        elif found := re.search(r"Is (LED\d) lit", question):
            return "y" if operator.lamp_is_lit(found[1]) else "n"
        elif "Watch the display" in question:
            operator.watch()
        elif "steady all the time" in question:
            return "y" if operator.was_steady() else "n"
        elif found := re.search(r"Type the (.*) that the (\w+) shows, in (\w+):", question):
            value = operator.read_value(found[2], found[1], found[3])
            return "OL" if value == float("inf") else f"{value:.7g}"
        elif "Is that part fitted" in question:
            return "y"
        else:
            return "y" if operator.confirm(question) else "n"
        return ""

    def fitted(self) -> list[str]:
        """Parts that were asked for, in their order."""
        words = {"Take everything off": "open", "Put the shorting bar": "short"}
        found = []
        for question, _ in self.asked:
            named = re.match(r"Fit (\S+) \(", question)
            found += [named[1]] if named else [part for start, part in words.items() if question.startswith(start)]
        return found


@pytest.fixture
def person(tmp_path: Path) -> Iterator[Person]:
    """A person at a bench of which the bench file knows a serial port and nothing else."""
    spec = load_bench("simulated")
    bench = simulated_bench(spec, load_kit_of(spec, today="2026-11-30"), board="qm2", seed=0)
    with WireServer(bench, speed=SPEED) as server:
        text = (ROOT / "fixtures/benches/by_hand.toml").read_text(encoding="utf-8")
        text = text.replace("/dev/ttyUSB0", server.meter_path).replace("[role.operator]", f"{CLIPS}[role.operator]")
        text = text.replace("\n[meter]", f"simulated = true\nspeed = {SPEED:g}\n\n[meter]", 1)
        (tmp_path / "table.toml").write_text(text)
        yield Person(server)


def unit_of(folder: Path, run: str = "QM2-0001") -> dict[str, Any]:
    done = subprocess.run(
        (sys.executable, "-m", "hil", "show", run, "--json"), capture_output=True, text=True, cwd=folder, check=True
    )
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize(
    ("only", "exit_code"),
    [("reverse_* rail_5v_* timebase.as_left c_10n l_1m", 2), pytest.param("*", 0, marks=pytest.mark.study)],
    ids=["some rows", "all rows"],
)
def test_a_unit_is_checked_with_nothing_but_answers(person: Person, tmp_path: Path, only: str, exit_code: int) -> None:
    rows = () if only == "*" else ("--only", only)  # part of the rows is never a pass
    words = ("--bench", "./table.toml", *rows)
    code = person.check(tmp_path, "check", "QM2-0001", *words, "--operator", "A. Example")
    assert code == exit_code, person.screen[-3000:]
    fitted = person.fitted()
    assert max(Counter(part for part in fitted if part not in ("open", "short")).values()) == 1, fitted
    plan = subprocess.run((sys.executable, "-m", "hil", "plan", *words), capture_output=True, text=True, cwd=tmp_path)
    planned = re.search(r"fitted in this order: (.*)", plan.stdout)
    assert planned is not None
    assert fitted == planned[1].split(", ")
    assert not any("Is that part fitted" in question for question, _ in person.asked)
    probed = [question for question, _ in person.asked if question.startswith(("Connect", "Take the"))]
    assert all(one != other for one, other in pairwise(probed))
    readings = {one["name"]: one for one in unit_of(tmp_path)["readings"]}
    assert {reading["verdict"] for reading in readings.values()} == {"pass"}
    assert readings["rail_5v_nominal"]["hand_read"]
    assert not readings["c_10n"]["hand_read"]


def test_a_question_is_not_drawn_over(person: Person, tmp_path: Path) -> None:
    words = ("check", "QM2-0001", "--bench", "./table.toml", "--only", "r_pack")
    person.check(tmp_path, *words)
    for question in re.findall(r"Type the resistance[^\r\n]*", person.screen):
        assert re.fullmatch(r"Type the resistance .* in ohm: \S+", question), question


def test_a_wrong_part_is_asked_about_once_and_that_is_recorded(person: Person, tmp_path: Path) -> None:
    taken: list[str] = []

    def neighbour(part: str) -> str:
        taken.append(part)
        return "c_100p" if part == "c_1n" and taken.count(part) == 1 else part

    person.on_fit = neighbour
    answer = person._act
    person._act = lambda question: "n" if "Is that part fitted" in question else answer(question)  # type: ignore[method-assign]
    words = ("check", "QM2-0001", "--bench", "./table.toml", "--scope", "serial_only", "--only", "c_1n")
    assert person.check(tmp_path, *words) == 2  # part of the rows is never a pass
    asked = [question for question, _ in person.asked if "Is that part fitted" in question]
    assert asked == [
        "The reading is far from what it should be with c_1n (1 nF class 1 ceramic capacitor). "
        "Is that part fitted? [Y/n]"
    ]
    (reading,) = (one for one in unit_of(tmp_path)["readings"] if one["name"] == "c_1n")
    assert reading["verdict"] == "pass"
    assert "operator found another part instead of c_1n; fitted and read again" in reading["notes"]
