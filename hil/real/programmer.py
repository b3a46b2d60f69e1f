"""Programming the unit by an external command, without a shell and with a time limit."""

import hashlib
import os
import signal
import subprocess
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from hil.errors import InstrumentError, UnitError, UsageError
from hil.ports import Clock
from hil.real.trace import Exchange, Trace


class CommandProgrammer:
    """A `hil.ports.Programmer`.

    Args:
        command: words of the command; ``{image}`` and ``{serial}`` in them are replaced.
        timeout_s: how long it may take.
        hint: where the command stands, for messages.
    """

    role = "programmer"

    def __init__(
        self, command: Sequence[str], *, clock: Clock, trace: Trace, timeout_s: float = 60.0, hint: str = ""
    ) -> None:
        self._command, self._clock, self._trace, self._hint = tuple(command), clock, trace, hint
        self._timeout_s = timeout_s
        self.serial = ""  # of the unit in the jig

    def program(self, image: str) -> str:
        """Program an image into the unit and return the image's SHA-256.

        Raises:
            UsageError: the image cannot be read.
            InstrumentError: the command cannot be started, or is not done in time.
            UnitError: the command was carried out and failed.
        """
        try:
            digest = hashlib.sha256(Path(image).read_bytes()).hexdigest()
        except OSError as problem:
            raise UsageError(
                f"{image}: the firmware image cannot be read ({problem.strerror}). Name another."
            ) from None
        words = [word.replace("{image}", image).replace("{serial}", self.serial) for word in self._command]
        started_s = self._clock.monotonic_s()
        answered = "(not started)"
        try:
            code, said = self._run(words)
            answered = f"exit {code}, image {digest}"
        finally:
            seconds = self._clock.monotonic_s() - started_s
            self._trace.add(Exchange(role=self.role, asked=" ".join(words), answered=answered, seconds=seconds))
        if code != 0:
            raise UnitError(f"programming failed: {words[0]} ended with {code}: {said or 'and said nothing'}")
        return digest

    def _run(self, words: Sequence[str]) -> tuple[int, str]:
        try:
            process = subprocess.Popen(
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                start_new_session=True,  # a process group of its own, so that its children end with it
            )
        except OSError as problem:
            raise self._trouble(
                words, f"cannot be started ({problem.strerror}). Install it or correct the command"
            ) from None
        with process:
            try:
                output, _ = process.communicate(timeout=self._timeout_s)
            except subprocess.TimeoutExpired:
                raise self._trouble(
                    words,
                    f"is not done within {self._timeout_s:g} s. Check the programming cable, or raise its timeout",
                ) from None
            finally:
                if process.poll() is None:
                    with suppress(ProcessLookupError):
                        os.killpg(process.pid, signal.SIGKILL)
        lines = output.decode("utf-8", "replace").strip().splitlines()
        return process.returncode, lines[-1] if lines else ""

    def _trouble(self, words: Sequence[str], problem: str) -> InstrumentError:
        return InstrumentError(self.role, words[0], f"{problem}{self._hint}.")
