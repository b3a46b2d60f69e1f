"""The process that executes an ELF: built on first use, kept in the user's cache, limited in real time.

It links against libsimavr (GPL-3) and therefore runs on its own; see fixtures/firmware/simulator.
"""

import contextlib
import hashlib
import os
import selectors
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

from hil.errors import BenchError
from hil.suite import ROOT

SOURCES = ROOT / "fixtures" / "firmware" / "simulator"
_FILES = ("chip.h", "main.c", "timers.c", "peripherals.c")
_BUILD_LIMIT_S = 120.0
_ANSWER_LIMIT_S, _LIMIT_PER_SIMULATED_S = 30.0, 30.0  # a busy program needs about one second a second
_PACKAGES = "Install a C compiler and libsimavr: apt-get install gcc libc6-dev libsimavr-dev libelf-dev"


def _cache() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "hil"


def build_helper(*, compiler: str | None = None, cache: Path | None = None) -> Path:
    """Path of the helper; built when the cache has none for these sources and this compiler.

    Args:
        compiler: name or path; None takes ``$CC``, else ``cc``.
        cache: folder to keep it in; None takes ``$XDG_CACHE_HOME/hil`` or ``~/.cache/hil``.

    Raises:
        BenchError: no compiler or no libsimavr, with the packages to install; or it does not compile.
    """
    name = compiler or os.environ.get("CC") or "cc"
    texts = [(SOURCES / file).read_bytes() for file in _FILES]
    key = hashlib.sha256(b"\0".join([name.encode(), *texts])).hexdigest()[:16]
    folder = cache or _cache()
    helper = folder / f"avr_helper-{key}"
    if helper.exists():
        return helper
    found = shutil.which(name)
    if found is None:
        raise BenchError(
            f"the firmware cannot be run: no C compiler {name!r} to build the AVR simulation with. {_PACKAGES}"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BenchError(
            f"{folder}: the AVR simulation cannot be kept there ({error.strerror}); set XDG_CACHE_HOME"
        ) from error
    with tempfile.TemporaryDirectory(dir=folder) as work:
        program = Path(work) / "avr_helper"
        command = [found, "-O2", "-o", str(program), *(str(SOURCES / f) for f in _FILES if f.endswith(".c"))]
        try:
            done = subprocess.run(
                [*command, "-lsimavr", "-lm"], capture_output=True, text=True, timeout=_BUILD_LIMIT_S, check=False
            )
        except subprocess.TimeoutExpired as error:
            raise BenchError(f"{name}: no end after {_BUILD_LIMIT_S:g} s of building the AVR simulation") from error
        if done.returncode:
            first = next((line for line in done.stderr.splitlines() if "error" in line or "cannot find" in line), "")
            if "simavr" in done.stderr:
                raise BenchError(f"the firmware cannot be run: libsimavr is missing. {_PACKAGES} ({first.strip()})")
            raise BenchError(f"{SOURCES}: the AVR simulation does not compile with {name}: {first.strip()}")
        os.replace(program, helper)  # two builders at once: the last one wins, both are the same
    return helper


class AvrProcess:
    """A `hil.sim.elf_processor.AvrLink`: one running helper.

    Args:
        helper: its program, from `build_helper`.
        limit_s: real time it may take for an answer, s, on top of `_LIMIT_PER_SIMULATED_S` a simulated second.

    Raises:
        BenchError: it cannot be started.
    """

    def __init__(self, helper: Path, *, limit_s: float = _ANSWER_LIMIT_S) -> None:
        try:
            self._process = subprocess.Popen(
                [str(helper)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, bufsize=0
            )
        except OSError as error:
            raise BenchError(f"{helper}: the AVR simulation cannot be started ({error.strerror}); delete it") from error
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._requests, self._answers = self._process.stdin, self._process.stdout
        self._limit_s = limit_s
        self._waiting = selectors.DefaultSelector()
        self._waiting.register(self._answers, selectors.EVENT_READ)
        self._held = bytearray()
        self._unsent = bytearray()

    @property
    def pid(self) -> int:
        return self._process.pid

    def send(self, request: bytes) -> None:
        """Keep a request; it goes out with the next `receive`."""
        self._unsent += request

    def _flush(self) -> None:
        if not self._unsent:
            return
        try:
            view = memoryview(bytes(self._unsent))
            while view:
                view = view[self._requests.write(view) or 0 :]
        except (OSError, ValueError) as error:
            raise self._died() from error
        self._unsent.clear()

    def receive(self, size: int, *, simulated_s: float = 0.0) -> bytes:
        """So many bytes of an answer.

        Raises:
            BenchError: the helper died, or took longer than its limit.
        """
        self._flush()
        if len(self._held) < size:
            limit_s = self._limit_s + _LIMIT_PER_SIMULATED_S * simulated_s
            deadline_s = time.monotonic() + limit_s
            while len(self._held) < size:
                if not self._waiting.select(max(0.0, deadline_s - time.monotonic())):
                    self.close()
                    raise BenchError(
                        f"the AVR simulation gave no answer in {limit_s:g} s for {simulated_s:g} s of simulated time; "
                        "it was ended. Run the check again"
                    )
                chunk = self._answers.read(65536)
                if not chunk:
                    raise self._died()
                self._held += chunk
        taken = bytes(self._held[:size])
        del self._held[:size]
        return taken

    def _died(self) -> BenchError:
        self.close()
        code = self._process.returncode
        how = f"by signal {-code}" if code is not None and code < 0 else f"with exit code {code}"
        return BenchError(f"the AVR simulation ended in mid-run {how}; run the check again")

    def close(self) -> None:
        """End the process; may be called twice."""
        for pipe in (self._requests, self._answers):
            with contextlib.suppress(OSError):
                pipe.close()
        if self._process.poll() is None:
            try:
                self._process.wait(timeout=1.0)  # it ends by itself when its input does
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._waiting.close()

    def __del__(self) -> None:
        if getattr(self, "_process", None) is not None and self._process.poll() is None:
            self.close()
