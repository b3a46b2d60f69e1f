"""Programming by an outside command: digest, failure, time limit, nothing left running."""

import hashlib
import os
import sys
import time
from pathlib import Path

import pytest

from hil.errors import InstrumentError, UnitError, UsageError
from hil.real.programmer import CommandProgrammer
from hil.real.trace import Trace
from hil.real.wallclock import WallClock


def programmer(trace: Trace, *words: str, timeout_s: float = 20.0) -> CommandProgrammer:
    return CommandProgrammer(words, clock=WallClock(), trace=trace, timeout_s=timeout_s, hint=" (west.toml:40)")


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "qm2.hex"
    path.write_bytes(b":00000001FF\n")
    return path


def test_the_command_gets_image_and_serial_without_a_shell(image: Path, tmp_path: Path) -> None:
    seen, trace = tmp_path / "seen", Trace()
    code = "import sys; open(sys.argv[1], 'w').write('|'.join(sys.argv[2:]))"
    one = programmer(trace, sys.executable, "-c", code, str(seen), "-w", "{image}", "$HOME {serial}")
    one.serial = "QM2-0001"
    digest = one.program(str(image))
    assert digest == hashlib.sha256(image.read_bytes()).hexdigest()
    assert seen.read_text() == f"-w|{image}|$HOME QM2-0001"
    assert trace.drain()[0].answered == f"exit 0, image {digest}"


def test_a_command_that_fails_is_about_the_unit_and_its_last_words_are_told(image: Path) -> None:
    one = programmer(Trace(), sys.executable, "-c", "print('no target found'); raise SystemExit(3)", "{image}")
    with pytest.raises(UnitError) as caught:
        one.program(str(image))
    assert str(caught.value) == f"programming failed: {sys.executable} ended with 3: no target found"


def test_a_command_that_hangs_is_ended_with_all_its_children(image: Path, tmp_path: Path) -> None:
    child = tmp_path / "child"
    code = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        "open(sys.argv[1], 'w').write(str(child.pid)); time.sleep(60)"
    )
    one = programmer(Trace(), sys.executable, "-c", code, str(child), "{image}", timeout_s=1.0)
    started_s = time.monotonic()
    with pytest.raises(InstrumentError, match=r"is not done within 1 s\. Check the programming cable.*west\.toml:40"):
        one.program(str(image))
    assert time.monotonic() - started_s < 10
    pid = int(child.read_text())
    for _ in range(100):
        if not _is_alive(pid):
            break
        time.sleep(0.02)
    assert not _is_alive(pid)


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()


def test_a_command_that_is_not_there_is_trouble_of_the_bench(image: Path) -> None:
    with pytest.raises(InstrumentError) as caught:
        programmer(Trace(), "no-such-flash-tool", "{image}").program(str(image))
    assert str(caught.value) == (
        "programmer at no-such-flash-tool: cannot be started (No such file or directory). "
        "Install it or correct the command (west.toml:40)."
    )


def test_an_image_that_is_not_there_is_refused_before_anything_runs(tmp_path: Path) -> None:
    trace = Trace()
    with pytest.raises(UsageError, match="the firmware image cannot be read"):
        programmer(trace, "no-such-flash-tool", "{image}").program(str(tmp_path / "none.hex"))
    assert len(trace) == 0
