"""The person at the bench, at a terminal: questions on stderr, answers from stdin, one line each.

Nothing is asked that is not needed, and an answer that cannot be read is asked for again, a few times. The end of the
input (nobody is there) and ``quit`` stop the run.
"""

import math
import sys
from collections.abc import Callable, Sequence
from typing import TextIO, TypeVar

from hil.core.units import parse_quantity, quantity
from hil.errors import Interrupted
from hil.ports import Clock, Operator
from hil.real.trace import Exchange, Trace

ATTEMPTS = 5
_YES, _NO = ("", "y", "yes"), ("n", "no")
_EXPLAINED = "'{text}' is no value in {unit}. Type digits with a point, as 4.98 or 4.98 {unit}; OL for over range."
_OVER_RANGE = ("over", "ol", "o.l", "inf")

T = TypeVar("T")


def parse_value(text: str, unit: str) -> float:
    """Read what a person reads off an instrument: ``4.98 V``, ``4.98``, ``1.2 kohm``, ``1.2k``, ``OL`` for over range.

    Raises:
        ValueError: another unit, or no value.
    """
    stripped = text.strip()
    if stripped.lower() in _OVER_RANGE:
        return math.inf
    try:
        value = float(stripped)
    except ValueError:
        value = _with_unit(stripped, unit)
    if math.isfinite(value):
        return value
    raise ValueError(_EXPLAINED.format(text=stripped, unit=unit))


def _with_unit(text: str, unit: str) -> float:
    try:
        _, found = parse_quantity(text)
    except ValueError:
        found = ""
    try:
        return quantity(text if found else f"{text}{unit}", unit)  # "1.2k": many instruments show no more
    except ValueError as problem:
        raise ValueError(str(problem) if found else _EXPLAINED.format(text=text, unit=unit)) from None


class TerminalOperator:
    """A `hil.ports.Operator` at a terminal.

    Args:
        answers: where answers are typed; None: stdin.
        questions: where questions are shown; None: stderr.
    """

    def __init__(self, answers: TextIO | None = None, questions: TextIO | None = None) -> None:
        self._answers, self._questions = answers, questions

    def insert(self, serial: str) -> None:
        """Have the unit put into the jig."""
        self._insist(f"Put unit {serial} into the jig, its own switch on, and close the jig. Done?")

    def fit(self, part: str, description: str) -> None:
        """Have a part connected to the terminals."""
        if part == "open":
            request = "Take everything off the terminals."
        elif part == "short":
            request = "Put the shorting bar across the terminals."
        else:
            request = f"Fit {part} ({description}) to the terminals; discharge a capacitor before you do."
        self._insist(f"{request} Done?")

    def probe(self, point: str, instrument: str = "probe") -> None:
        """Have an instrument connected to a test point, or across two; "GND" alone: have it taken off."""
        high, _, low = point.partition(":")
        if point == "GND":
            self._insist(f"Take the {instrument} off the board. Done?")
        elif low == high:
            self._insist(f"Connect both leads of the {instrument} to {high}. Done?")
        else:
            self._insist(f"Connect the {instrument} to {high}, its other lead to {low or 'GND'}. Done?")

    def request(self, text: str) -> None:
        """Have something done at once; that it was done shows by itself."""
        print(text, file=self._questions if self._questions is not None else sys.stderr, flush=True)

    def press(self, keys: Sequence[str], seconds: float) -> None:
        """Have keys pressed."""
        which = " and ".join(keys) + (" together" if len(keys) > 1 else "")
        how = f"for about {seconds:g} s" if seconds >= 0.5 else "briefly"
        self._insist(f"Press {which} {how}. Done?")

    def read_display(self) -> str:
        """What stands on the display; two lines are typed with a bar between them."""
        return self._ask("Type what the display shows, '|' between its lines: ", _text)

    def lamp_is_lit(self, lamp: str) -> bool:
        """Whether a lamp is lit."""
        return self._ask(f"Is {lamp} lit? [Y/n] ", _yes)

    def watch(self) -> None:
        """Have display and lamps watched from now on."""
        self._insist("Watch the display and both lamps until you are asked about them. Watching?")

    def was_steady(self) -> bool:
        """Whether nothing flickered or went dark since."""
        return self._ask("Were display and lamps steady all the time, without a flicker? [Y/n] ", _yes)

    def confirm(self, question: str) -> bool:
        """Whether something is so."""
        return self._ask(f"{question} [Y/n] ", _yes)

    def read_value(self, role: str, what: str, unit: str) -> float:
        """A value read off an instrument, in unprefixed units."""
        return self._ask(f"Type the {what} that the {role} shows, in {unit}: ", lambda text: parse_value(text, unit))

    def _insist(self, request: str) -> None:
        for _ in range(ATTEMPTS):
            if self.confirm(request):
                return
        raise Interrupted(f"Not done: {request.removesuffix(' Done?')} Start the check again when it can be done.")

    def _ask(self, question: str, read: Callable[[str], T]) -> T:
        answers = self._answers if self._answers is not None else sys.stdin
        questions = self._questions if self._questions is not None else sys.stderr
        for _ in range(ATTEMPTS):
            print(question, end="", file=questions, flush=True)
            try:
                line = answers.readline()
            except KeyboardInterrupt:  # what is said next has a line of its own
                print(file=questions, flush=True)
                raise
            if not line:
                raise Interrupted("The input ended where the operator was asked. Start the check at a terminal.")
            if line.strip().lower() in ("quit", "q"):
                raise Interrupted("The operator stopped the run.")
            try:
                return read(line.strip())
            except ValueError as problem:
                print(f"  {problem}", file=questions, flush=True)
        raise Interrupted(f"No usable answer after {ATTEMPTS} attempts: {question.strip()}")


def _yes(text: str) -> bool:
    if text.lower() in _YES:
        return True
    if text.lower() in _NO:
        return False
    raise ValueError("Answer y or n, or quit.")


def _text(text: str) -> str:
    if not text:
        raise ValueError("Type what is shown, or quit.")
    return text.replace("|", "\n")


class RecordedOperator:
    """Any operator, with every question and answer in the trace; typed values are marked as hand-read."""

    def __init__(self, operator: Operator, *, clock: Clock, trace: Trace) -> None:
        self._operator, self._clock, self._trace = operator, clock, trace

    def insert(self, serial: str) -> None:
        """As the operator does."""
        self._note(f"insert {serial}", lambda: self._operator.insert(serial))

    def fit(self, part: str, description: str) -> None:
        """As the operator does."""
        self._note(f"fit {part}", lambda: self._operator.fit(part, description))

    def probe(self, point: str, instrument: str = "probe") -> None:
        """As the operator does."""
        self._note(f"{instrument} to {point}", lambda: self._operator.probe(point, instrument))

    def request(self, text: str) -> None:
        """As the operator does."""
        self._note(text, lambda: self._operator.request(text))

    def press(self, keys: Sequence[str], seconds: float) -> None:
        """As the operator does."""
        self._note(f"press {' + '.join(keys)} {seconds:g} s", lambda: self._operator.press(keys, seconds))

    def read_display(self) -> str:
        """As the operator does."""
        return self._note("read the display", self._operator.read_display)

    def lamp_is_lit(self, lamp: str) -> bool:
        """As the operator does."""
        return self._note(f"is {lamp} lit", lambda: self._operator.lamp_is_lit(lamp))

    def watch(self) -> None:
        """As the operator does."""
        self._note("watch display and lamps", self._operator.watch)

    def was_steady(self) -> bool:
        """As the operator does."""
        return self._note("were display and lamps steady", self._operator.was_steady)

    def confirm(self, question: str) -> bool:
        """As the operator does."""
        return self._note(question, lambda: self._operator.confirm(question))

    def read_value(self, role: str, what: str, unit: str) -> float:
        """As the operator does; the instrument's role counts as used."""
        return self._note(f"{what}, {unit}", lambda: self._operator.read_value(role, what, unit), role=role)

    def _note(self, asked: str, act: Callable[[], T], *, role: str = "operator") -> T:
        started_s, answered = self._clock.monotonic_s(), ""
        try:
            result = act()
            answered = "" if result is None else str(result)
            return result
        except Exception as problem:
            answered = f"({type(problem).__name__})"
            raise
        finally:
            seconds = self._clock.monotonic_s() - started_s
            hand_read = role != "operator"
            self._trace.add(Exchange(role=role, asked=asked, answered=answered, seconds=seconds, hand_read=hand_read))
