"""Outputs off when the program dies without a chance to see to it: kill -9, no memory left, a crash of Python itself.

    program   opens a bench with real instruments, starts its guardian, works, switches off, dismisses it
    guardian  waits at a pipe and does nothing: one byte dismisses it; the end of the pipe means that the program died,
              and then it opens what can be switched and switches it off

It is started as a program of its own, in a session of its own: what ends the program by a key or a closed terminal does
not end it. Against a machine that stops there is no help but the switch of the supply.
"""

import os
import pickle
import subprocess
import sys
from collections.abc import Mapping
from contextlib import ExitStack, suppress
from pathlib import Path

from hil.errors import HilError
from hil.files.bench import BenchFile
from hil.wire.instrument import CommandSet

SWITCHES = ("supply", "generator", "selector")
_END_S = 5.0


class Guardian:
    """Watches over this process until `dismiss`.

    Args:
        sets: command sets of the instruments.
    """

    def __init__(self, spec: BenchFile, sets: Mapping[str, CommandSet]) -> None:
        code = str(Path(__file__).parents[2])  # the same program, wherever it was found
        path = os.pathsep.join(filter(None, (code, os.environ.get("PYTHONPATH", ""))))
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "hil.app.guardian"],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": path},
        )
        self._tell(pickle.dumps((os.getpid(), spec, dict(sets))))

    def _tell(self, message: bytes) -> None:
        assert self._process.stdin is not None
        with suppress(BrokenPipeError):  # somebody ended it: the run goes on without
            self._process.stdin.write(message)
            self._process.stdin.flush()

    def dismiss(self) -> None:
        """Everything is off, or the operator was told that it may not be."""
        self._tell(b".")
        assert self._process.stdin is not None
        with suppress(BrokenPipeError):
            self._process.stdin.close()
        try:
            self._process.wait(_END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def needs_guardian(spec: BenchFile) -> bool:
    """Whether a program can switch something on that stays on without it."""
    return any(name in spec.roles and not spec.roles[name].by_hand for name in SWITCHES)


def switch_off(spec: BenchFile, sets: Mapping[str, CommandSet]) -> list[str]:
    """Switch everything off that can be reached; what went wrong."""
    # late: while it waits, a guardian needs no instrument library
    from hil.app.drivers import open_instrument, over_visa
    from hil.real.trace import Trace
    from hil.real.visa import VisaLibrary
    from hil.real.wallclock import WallClock

    troubles: list[str] = []
    clock, trace = WallClock(spec.speed), Trace()
    with ExitStack() as stack:
        library = VisaLibrary(spec.visa_library)
        stack.callback(library.close)
        for name in SWITCHES:
            if name not in spec.roles or spec.roles[name].by_hand:
                continue
            try:
                instrument = open_instrument(spec, name, library, sets[name], clock=clock, trace=trace)
                stack.callback(instrument.close)
                instrument.start()
                driver = over_visa(name, instrument, spec, lambda: None)
                driver.release() if name == "selector" else driver.off()
            except HilError as problem:
                troubles.append(str(problem))
    return troubles


def main() -> None:
    """Wait; switch off when nobody dismisses."""
    with suppress(EOFError):
        program, spec, sets = pickle.load(sys.stdin.buffer)
        if sys.stdin.buffer.read(1):
            return
        try:
            troubles = switch_off(spec, sets)
        except HilError as problem:
            troubles = [str(problem)]
        said = f"\nhil: process {program} ended without switching the outputs off."
        if troubles:
            said += f" Switch them off by hand, something may still be on: {' '.join(troubles)}"
        else:
            said += " They are off now."
        with suppress(OSError):  # the terminal may be gone as well
            sys.stderr.write(f"{said}\n")
            sys.stderr.flush()


if __name__ == "__main__":
    main()
