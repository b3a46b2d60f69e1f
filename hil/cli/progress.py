"""How far a long command is, on one line of the terminal, and about how long it will take."""

import time
from typing import TextIO

_EVERY_S = 1.0  # on a terminal; into a file thirty times less often
_PATIENCE = 30


class Progress:
    """One line that is written again and again; on what is no terminal, a new line now and then.

    Args:
        screen: usually standard error.
    """

    def __init__(self, screen: TextIO) -> None:
        self._screen = screen
        self._is_terminal = screen.isatty()
        self._count, self._done, self._open = 0, 0, False
        self._began_s = self._last_s = time.monotonic()
        self._what = ""

    def say(self, text: str) -> None:
        """A line of its own."""
        self.end()
        print(f"hil: {text}", file=self._screen, flush=True)

    def begin(self, count: int) -> None:
        """So many steps are ahead."""
        self._count, self._done, self._began_s = count, 0, time.monotonic()

    def step(self, what: str, more: str = "") -> None:
        """One of them is done."""
        self._done += 1
        self._show(what, more)

    def at(self, what: str, done: int, count: int) -> None:
        """So many of so many are done."""
        if what != self._what:
            self.begin(count)
        self._done, self._count = done, count
        self._show(what, "")

    def _show(self, what: str, more: str) -> None:
        self._what, now_s = what, time.monotonic()
        every_s = _EVERY_S if self._is_terminal else _EVERY_S * _PATIENCE
        if now_s - self._last_s < every_s and self._done < self._count:
            return
        self._last_s = now_s
        left_s = (now_s - self._began_s) / self._done * (self._count - self._done)
        words = f"hil: {self._done} of {self._count} {what}, {_duration(left_s)} left" + (f", {more}" if more else "")
        if self._is_terminal:
            print(f"\r{words:<100}", end="", file=self._screen, flush=True)
            self._open = True
        else:
            print(words, file=self._screen, flush=True)

    def end(self) -> None:
        """The line stays as it is; what comes next begins below it."""
        if self._open:
            print(file=self._screen, flush=True)
            self._open = False


def _duration(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"
