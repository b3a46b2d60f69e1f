"""Conversations at the meter's bench port, as generators: they yield what to do and receive the text that came.

    yield Send("READ?")      a line goes out                          receives ""
    yield Repeat("READ?")    the same, as its answer was lost         receives ""
    yield Await(1.5)         the next line, waiting at most so long   receives it with its LF; without LF when it was
                             cut off by the time, "" when nothing came
    yield Pending()          what has come already, without waiting   receives it

`hil.real.serial_meter` pumps them over a port; a test pumps them with ``.send()``. The protocol is described in
fixtures/firmware/bench_port.md.

What may go wrong and what is done: a missing or cut-off or unreadable answer makes the two sides find each other
again with a question that has only one answer, and the question is repeated once where repeating does no harm; a
start banner that nobody waits for is a restart, and everything measured after it would rest on lost calibration, so
it ends the conversation. Every loop is bounded.

Whose fault is it? A meter that is silent, answers garbage, or cuts off one answer and gives others in full fails the
row: no link does that. Lines that come readable but short, the answer to the fixed question too, say only that bytes
are lost between meter and computer - cable, adapter or its driver as well as the unit - and nobody may call a unit bad
over a link like that: `LinkCut` is trouble of the bench. The same holds for one short answer to a question that must
not be asked twice: a single lost byte proves nothing.
"""

import math
import re
from collections.abc import Generator
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

from hil.core.units import parse_quantity
from hil.errors import CannotAsk, MeterError, MeterSilent
from hil.wire import instrument
from hil.wire.scpi import NOT_A_NUMBER, OVER_RANGE

LINE_LENGTH = 63  # longer lines are dropped by the meter
SERIAL_NUMBER = re.compile(r"[A-Z0-9][A-Z0-9-]{0,14}")  # SYST:SER takes it
GATE_S = 1.0
_LINES = 256  # of which it is remembered what is known of them
SLACK_S = 1.0  # what an answer may take besides its gates
_PING, _PONG, _PING_S = "SYST:VERS?", "1999.0", 0.5
_PINGS, _STRAY_LINES = 2, 16
_CABLE = (
    "Bytes are lost between meter and computer: check the serial cable, its plugs and ground, and that no other "
    "program reads the port; then check the unit again."
)
_BANNER = re.compile(r"(?P<model>[!-~]+) (?P<firmware>[!-~]+) ready\s*")  # noise of the power-up may precede it
_GATES = {"READ": 1, "MEAS:FREQ": 1, "*TST": 1, "CAL:ALL": 2, "CAL:ZERO": 1}
_ONCE = ("DIAG:PRES", "SYST:ERR", "SYST:SER", "*ESR")  # a second time would lose or change something

T = TypeVar("T")


class LinkCut(Exception):
    """Bytes are lost between meter and computer; who knows the port turns it into trouble of the bench."""


@dataclass(frozen=True, slots=True)
class Send:
    """A line goes out."""

    line: str


@dataclass(frozen=True, slots=True)
class Repeat(Send):
    """A line goes out once more because its answer was lost."""


@dataclass(frozen=True, slots=True)
class Await:
    """The next line is waited for."""

    timeout_s: float


@dataclass(frozen=True, slots=True)
class Pending:
    """What has come already is wanted."""


Conversation = Generator[Send | Await | Pending, str, T]


@dataclass(frozen=True, slots=True, kw_only=True)
class Banner:
    """What the meter prints when it has started."""

    model: str
    firmware: str

    def __str__(self) -> str:
        return f"{self.model} {self.firmware} ready"


def is_whole(line: str) -> bool:
    """Whether a line came with its end."""
    return line.endswith("\n")


def is_readable(line: str) -> bool:
    """Whether a line is nothing but printable ASCII."""
    return line.isascii() and line.rstrip("\r\n").isprintable()


def parse_banner(line: str) -> Banner | None:
    """The start banner, or None when the line is another one."""
    match = _BANNER.search(line)
    if match is None or match.end() != len(line) or not is_whole(line):
        return None
    return Banner(model=match["model"], firmware=match["firmware"])


@lru_cache(maxsize=_LINES)
def due_s(command: str) -> float:
    """How long the answers of a line may take at most, s: its gates and some slack."""
    gates = sum(gates for header in _headers(command) for known, gates in _GATES.items() if _same(header, known))
    return gates * GATE_S * 1.01 + SLACK_S  # relays settle and a gate may be a percent longer before the trim


def _headers(command: str) -> list[str]:
    return [part.split("?")[0].split(" ")[0].upper() for part in instrument.answers(command)]


def _same(header: str, short: str) -> bool:
    """Whether a header in capitals, short or long, is the one whose short form is given."""
    nodes, known = header.removeprefix(":").split(":"), short.split(":")
    return len(nodes) == len(known) and all(node.startswith(name) for node, name in zip(nodes, known, strict=True))


@lru_cache(maxsize=_LINES)
def _may_repeat(command: str) -> bool:
    return not any(_same(header, once) for header in _headers(command) for once in _ONCE)


def _check(command: str) -> None:
    if len(command) > LINE_LENGTH or not is_readable(command) or "\n" in command:
        raise ValueError(f"{command!r} is no line for the meter: at most {LINE_LENGTH} printable characters")


def ask(command: str, *, timeout_s: float, may_repeat: bool | None = None) -> Conversation[str]:
    """Ask one line of questions, return its answer without the line end.

    Args:
        timeout_s: for the answer.
        may_repeat: whether the line may be sent again when its answer is lost; None: told from its headers.

    Raises:
        MeterSilent: no answer, not even to a question that is always answered.
        MeterError: a broken answer twice while others come in full, an error that the meter reports, a restart.
        LinkCut: lines are cut off, whatever is asked; or one was and the question must not be asked again.
        ValueError: the line is too long for the meter.
    """
    _check(command)
    waiting = yield Pending()
    if any(parse_banner(line) for line in waiting.splitlines(keepends=True)):
        yield from _restarted(command)
    said = ""
    sends = (Send, Repeat) if (_may_repeat(command) if may_repeat is None else may_repeat) else (Send,)
    for send in sends:
        yield send(command)
        line = yield Await(timeout_s)
        if parse_banner(line):
            yield from _restarted(command)
        if is_whole(line) and is_readable(line):
            return line.rstrip("\r\n")
        said = line or said
        yield from _resynchronise(command, line, timeout_s)
    if said and len(sends) == 1 and not is_whole(said):
        raise LinkCut(
            f"the answer to {command!r} came cut off, {_cut(said)}, and this question cannot be asked again. {_CABLE}"
        )
    if said:
        how = "unreadable" if is_whole(said) else "cut off before its line end, though others come in full"
        raise MeterError(
            f"the meter's answer to {command!r} is {how}: {said[:40]!r}. "
            "Check the firmware of the unit, its serial line and its clock."
        )
    raise MeterSilent(
        f"the meter does not answer {command!r} within {timeout_s:g} s, though it answers other questions."
    )


def tell(command: str, *, timeout_s: float) -> Conversation[None]:
    """Send a command and make sure that the meter accepted it.

    Raises:
        MeterSilent, MeterError, ValueError: as `ask`; MeterError also when the meter reports an error.
    """
    # A refused command is refused again when it is repeated: the error that a lost answer told is not lost.
    line = yield from ask(f"{command};SYST:ERR?", timeout_s=timeout_s, may_repeat=_may_repeat(command))
    code, said = _error(command, line)
    if code:
        yield from _drain_errors()
        raise MeterError(f"the meter refuses {command!r}: {code} {said}")


def await_start(*, timeout_s: float) -> Conversation[Banner | None]:
    """Wait for the start banner; None when it does not come. What else comes is start-up noise."""
    for _ in range(4):
        line = yield Await(timeout_s)
        banner = parse_banner(line)
        if banner or not line:
            return banner
    return None


def _resynchronise(command: str, heard: str, timeout_s: float) -> Conversation[None]:
    """Find each other again after a missing or broken answer."""
    came = short = ""  # what the fixed question brought; short: the beginning of its answer, so the baud rate is right
    for _ in range(_PINGS):
        yield Pending()
        yield Send(_PING)
        for _ in range(_STRAY_LINES):
            line = yield Await(_PING_S)
            if parse_banner(line):
                yield from _restarted(command)
            if is_whole(line) and line.strip() == _PONG:
                yield from _reported(command)
                return
            came = line or came
            if not is_whole(line):
                short = line if line.strip() and _PONG.startswith(line.strip()) else short
                break
    if short:
        raise LinkCut(
            f"lines of the meter come cut off: {_PING!r} is answered with {_cut(short)}, after {command!r} with "
            f"{_cut(heard) if heard else 'nothing'}. {_CABLE}"
        )
    if not came and heard and is_readable(heard):
        raise MeterSilent(
            f"the meter stopped in the middle of its answer to {command!r}, after {_cut(heard)}, and answers nothing "
            "since. Check that the unit still has power and the serial cable is plugged in."
        )
    if came or heard:
        raise MeterError(
            f"the meter answers {command!r} with nothing but garbage: {(came or heard)[:40]!r}. Check baud rate and "
            "serial cable; a wrong clock of the microcontroller (fuses, crystal) does the same."
        )
    raise MeterSilent(
        f"the meter does not answer {command!r} within {timeout_s:g} s. "
        "Check that the unit has power and the serial cable is plugged in."
    )


def _cut(line: str) -> str:
    return repr(line.rstrip("\r\n")[:40])


def _reported(command: str) -> Conversation[None]:
    """Raise what the meter has to complain about the command, if anything."""
    errors = yield from _drain_errors()
    if errors:
        raise MeterError(f"the meter refuses {command!r}: {'; '.join(errors)}")


def _drain_errors() -> Conversation[list[str]]:
    errors: list[str] = []
    for _ in range(8):  # its queue has four entries
        yield Send("SYST:ERR?")
        line = yield Await(_PING_S)
        if not is_whole(line):
            break
        try:
            code, said = instrument.error(line.strip())
        except ValueError:
            break
        if code == instrument.NO_ERROR:
            break
        errors.append(f"{code} {said}")
    return errors


def _error(command: str, line: str) -> tuple[int, str]:
    try:
        return instrument.error(instrument.answers(line)[-1])
    except ValueError as problem:
        raise MeterError(f"after {command!r} the meter answers {line!r}: {problem}") from None


def _restarted(command: str) -> Conversation[None]:
    yield Pending()
    yield Send("SYST:CAUS?")
    line = yield Await(_PING_S)
    cause = line.strip() if is_whole(line) and is_readable(line) else "unknown"
    raise MeterError(
        f"the meter restarted in mid-run (cause {cause or 'unknown'}), noticed at {command!r}. "
        "Check supply, contacts and supply current, then check the unit again."
    )


# Reading answers, with complaints that are about the meter


def numbers(command: str, answer: str) -> tuple[float, ...]:
    """The numbers of an answer; infinite and not-a-number as SCPI writes them.

    Raises:
        MeterError: something else.
    """
    try:
        return tuple(instrument.number(value) for value in instrument.values(answer))
    except ValueError as problem:
        raise MeterError(f"the meter's answer to {command!r}: {problem}") from None


def texts(command: str, answer: str) -> tuple[str, ...]:
    """The quoted strings of an answer.

    Raises:
        MeterError: something else.
    """
    try:
        return tuple(instrument.text(value) for value in instrument.values(answer))
    except ValueError as problem:
        raise MeterError(f"the meter's answer to {command!r}: {problem}") from None


# Firmware without commands: listen only

GROUPS = {"capacitance": "F", "inductance": "H", "frequency": "Hz", "battery": "V"}
FUNCTIONS = {"capacitance": "CAP", "inductance": "IND"}
_ASKED = {"READ": ("capacitance", "inductance"), "FETC": ("capacitance", "inductance"), "MEAS:FREQ": ("frequency",),
          "MEAS:BATT": ("battery",), "SENS:FUNC": ("capacitance", "inductance")}  # fmt: skip


class Pattern:
    """Picks values from lines that the meter prints by itself.

    Args:
        pattern: regular expression with groups named as in `GROUPS`; what a group holds is a number in unprefixed
            units or a value with a unit, ``100.0 pF``.

    Raises:
        ValueError: no known group.
    """

    def __init__(self, pattern: str) -> None:
        self._pattern = re.compile(pattern)
        self.groups = frozenset(self._pattern.groupindex)
        unknown = self.groups - set(GROUPS)
        if unknown or not self.groups:
            which = f"group {min(unknown)!r} is not known" if unknown else "the pattern names no group"
            raise ValueError(f"{which}; known: {', '.join(GROUPS)}")

    def pick(self, line: str) -> dict[str, float]:
        """Values by group; empty when the line is another one. Dashes are not a number, OVER is infinite."""
        match = self._pattern.search(line)
        if match is None:
            return {}
        return {name: _printed(text, GROUPS[name]) for name, text in match.groupdict().items() if text is not None}


def _printed(text: str, unit: str) -> float:
    if "over" in text.lower():
        return math.inf
    try:
        value, found = parse_quantity(text)
    except ValueError:
        return math.nan
    return value if found in (unit, "") else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What a line told: the answer as the bench port would have given it, and the function the meter measures."""

    answer: str
    function: str  # CAP, IND, or "" when the line does not tell


def function_wanted(command: str) -> str:
    """The function that a line selects, CAP or IND, or "" when it selects none."""
    for part in instrument.answers(command):
        header, _, argument = part.partition(" ")
        if _same(header.upper(), "SENS:FUNC"):
            return argument.strip().upper()[:3]
    return ""


def listen(command: str, pattern: Pattern, *, timeout_s: float) -> Conversation[Heard]:
    """Answer a line from what the meter prints by itself, as the bench port would have answered it.

    The first line is thrown away: its gate may have begun before the question. A line that selects a function is
    not carried out here; whoever pumps this sees from `Heard.function` whether a key must be pressed.

    Raises:
        MeterSilent: no line in time.
        LinkCut: no line comes with its end.
        CannotAsk: the lines do not tell what is asked, and the meter takes no commands.
    """
    parts = instrument.answers(command)
    wanted = [_groups(part) for part in parts]
    if not all(pattern.groups.intersection(groups) for groups in wanted):
        raise CannotAsk(
            f"this bench only listens to the meter and cannot send {command!r}; its pattern picks "
            f"{', '.join(sorted(pattern.groups))}. Choose a scope or a limits file without this row."
        )
    yield Pending()
    is_fresh, cut = False, 0
    for _ in range(8 * _STRAY_LINES):
        line = yield Await(timeout_s)
        if not line:
            raise MeterSilent(f"the meter prints nothing within {timeout_s:g} s. Check power, baud rate and cable.")
        cut = 0 if is_whole(line) else cut + 1
        if cut == _PINGS:
            raise LinkCut(f"what the meter prints comes without line ends: {_cut(line)}. {_CABLE}")
        picked = pattern.pick(line) if is_whole(line) else {}
        if not all(any(name in picked for name in groups) for groups in wanted):
            continue
        if is_fresh:
            function = next((FUNCTIONS[name] for name in FUNCTIONS if name in picked), "")
            said = [
                function if _same(_headers(part)[0], "SENS:FUNC") else _as_scpi(_first(picked, groups))
                for part, groups in zip(parts, wanted, strict=True)
                if part.endswith("?")
            ]
            return Heard(answer=";".join(said), function=function)
        is_fresh = True
    raise MeterSilent("the meter prints lines, but the pattern of the bench file fits none of them: correct 'pattern'.")


def await_printed(pattern: Pattern, *, timeout_s: float) -> Conversation[None]:
    """Wait for the first line that a starting meter prints by itself, or until it prints nothing any more."""
    for _ in range(_STRAY_LINES):
        line = yield Await(timeout_s)
        if not line or pattern.pick(line):
            return


def _groups(part: str) -> tuple[str, ...]:
    """Groups of a pattern, one of which answers a part of a line; none when nothing can."""
    header = _headers(part)[0]
    is_command = not part.endswith("?")
    if is_command and not _same(header, "SENS:FUNC"):
        return ()
    return next((groups for known, groups in _ASKED.items() if _same(header, known)), ())


def _first(picked: dict[str, float], groups: tuple[str, ...]) -> float:
    return next(picked[name] for name in groups if name in picked)


def _as_scpi(value: float) -> str:
    if math.isnan(value):
        return f"{NOT_A_NUMBER:E}"
    if math.isinf(value):
        return f"{math.copysign(OVER_RANGE, value):E}"
    return repr(value)
