"""The device side of SCPI-1999 and IEEE 488.2: from a line of text to a handler, from an error to the registers.

Headers are written as the standard writes them: capitals are the short form, brackets hold optional nodes, a node
that ends in 1 may leave the 1 out::

    [SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]        SYSTem:ERRor[:NEXT]?        OUTPut1[:STATe]

Every spelling that a header allows is put into one dictionary when the `Interpreter` is made, so that a message
costs a look-up. A handler gets its parameters already read and checked; it returns its answer (None: no answer), or
is a generator that yields the seconds it needs and returns the answer. `Interpreter.run` is a generator of the same
kind: whoever owns the clock pumps it, a test pumps it without one.

An error in one command of a message is queued and the next command of the message is carried out.
"""

import re
from collections import deque
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import product
from typing import Any, Protocol

from hil.wire.scpi_errors import ERRORS, event_bit

Seconds = Generator[float, None, str | None]
Handler = Callable[..., str | Seconds | None]

OVER_RANGE = 9.9e37  # SCPI-1999 volume 1, 7.2.1.4: infinity
NOT_A_NUMBER = 9.91e37
_PROGRAMS = 512  # messages that an interpreter remembers

_QUESTION = re.compile(r"\s*([*:A-Za-z0-9_]+\??)(?:\s+(.*?))?\s*", re.DOTALL)
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z%/]*)", re.ASCII)
_HEX = {"#H": 16, "#Q": 8, "#B": 2}
_MULTIPLIERS = {"EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0, "M": 1e-3, "U": 1e-6,
                "N": 1e-9, "P": 1e-12, "F": 1e-15}  # fmt: skip  # IEEE 488.2 table 7-2


class ScpiError(ValueError):
    """A SCPI error number on its way to the queue.

    Args:
        code: number of SCPI-1999 volume 2 chapter 21.
        detail: device-dependent information, put behind the text after a semicolon.
    """

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code, self.detail = code, detail

    def __str__(self) -> str:
        text = ERRORS.get(self.code, "Device-specific error")
        return f'{self.code},"{text};{self.detail}"' if self.detail else f'{self.code},"{text}"'


# Parameters


class Parameter(Protocol):
    """Reads one token; raises `ScpiError`."""

    @property
    def optional(self) -> bool: ...
    def read(self, token: str) -> Any: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A number in unprefixed units between `low` and `high`; MINimum, MAXimum and, where given, DEFault are too."""

    low: float
    high: float
    unit: str = ""
    default: float | None = None
    optional: bool = False

    def read(self, token: str) -> float:
        keyword = token.upper()
        if keyword in ("MIN", "MINIMUM"):
            return self.low
        if keyword in ("MAX", "MAXIMUM"):
            return self.high
        if self.default is not None and keyword in ("DEF", "DEFAULT"):
            return self.default
        value = self._plain(token)
        if not self.low <= value <= self.high:
            raise ScpiError(-222)
        return value

    def _plain(self, token: str) -> float:
        base = _HEX.get(token[:2].upper())
        if base is not None:
            try:
                return int(token[2:], base)
            except ValueError:
                raise ScpiError(-121) from None
        match = _NUMBER.fullmatch(token)
        if match is None:
            raise ScpiError(-104)
        number, suffix = float(re.sub(r"\s", "", match[1])), match[2].upper()
        if not suffix:
            return number
        unit = self.unit.upper()
        if not unit:
            raise ScpiError(-138)
        if not suffix.endswith(unit) or suffix[: -len(unit)] not in _MULTIPLIERS:
            raise ScpiError(-131)
        prefix = suffix[: -len(unit)]
        # IEEE 488.2 7.7.3.4: MHZ and MOHM are mega, the only two exceptions from M for milli.
        return number * (1e6 if prefix == "M" and unit in ("HZ", "OHM") else _MULTIPLIERS[prefix])


@dataclass(frozen=True, slots=True, kw_only=True)
class Integer:
    """A whole number between `low` and `high`; a fraction is rounded (IEEE 488.2 7.7.2.4)."""

    low: int
    high: int
    optional: bool = False

    def read(self, token: str) -> int:
        value = Number(low=-1e12, high=1e12).read(token)
        rounded = int(value + 0.5) if value >= 0 else -int(0.5 - value)
        if not self.low <= rounded <= self.high:
            raise ScpiError(-222)
        return rounded


@dataclass(frozen=True, slots=True, kw_only=True)
class Boolean:
    """ON, OFF or a number; zero is off."""

    optional: bool = False

    def read(self, token: str) -> bool:
        keyword = token.upper()
        if keyword in ("ON", "OFF"):
            return keyword == "ON"
        if _NUMBER.fullmatch(token) is None:
            raise ScpiError(-224 if token[:1].isalpha() else -104)
        return Integer(low=-(10**9), high=10**9).read(token) != 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One of some keywords, in short or long form; read as its short form."""

    keywords: tuple[str, ...]
    optional: bool = False

    def read(self, token: str) -> str:
        if not token[:1].isalpha():
            raise ScpiError(-104)
        for keyword in self.keywords:
            if token.upper() in _forms(keyword):
                return short_form(keyword)
        raise ScpiError(-224)


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A quoted string of `shortest` to `longest` characters that match `pattern`."""

    pattern: str = r"[\x20-\x7e]*"
    longest: int = 255
    shortest: int = 0
    optional: bool = False

    def read(self, token: str) -> str:
        quote = token[:1]
        if quote not in ('"', "'") or len(token) < 2 or token[-1] != quote:
            raise ScpiError(-104)
        text = token[1:-1].replace(quote * 2, quote)
        if not self.shortest <= len(text) <= self.longest or re.fullmatch(self.pattern, text) is None:
            raise ScpiError(-222)
        return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Channels:
    """A channel list ``(@101,103:105)``; read as a tuple of numbers, each one of `known`."""

    known: frozenset[int]
    optional: bool = False

    def read(self, token: str) -> tuple[int, ...]:
        if not (token.startswith("(@") and token.endswith(")")):
            raise ScpiError(-104)
        numbers: list[int] = []
        for item in token[2:-1].split(","):
            first, colon, last = item.strip().partition(":")
            if not first.strip().isdigit() or (colon and not last.strip().isdigit()):
                raise ScpiError(-171)
            numbers.extend(range(int(first), int(last if colon else first) + 1))
        if any(number not in self.known for number in numbers):
            raise ScpiError(-222, "no such channel")
        return tuple(numbers)


# Headers


def short_form(keyword: str) -> str:
    """Capitals, digits and what is not a letter: ``CAPacitance`` is ``CAP``."""
    return "".join(character for character in keyword if not character.islower())


def _forms(keyword: str) -> set[str]:
    forms = {short_form(keyword), keyword.upper()}
    if keyword.endswith("1"):
        forms |= {form[:-1] for form in forms}
    return forms


@cache
def spellings(header: str) -> tuple[str, ...]:
    """Every accepted spelling of a header, in capitals: ``SYSTem:ERRor[:NEXT]?`` has eight of them."""
    question = "?" if header.endswith("?") else ""
    nodes = re.findall(r"(\[?):?([*A-Za-z0-9]+):?(\]?)", header)
    choices = [sorted(_forms(name)) + ([""] if opened else []) for opened, name, _ in nodes]
    return tuple(":".join(word for word in words if word) + question for words in product(*choices))


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Split at a separator that is neither within quotes nor within parentheses."""
    if separator not in text:
        return [text]
    pieces, start, quote, depth = [], 0, "", 0
    for place, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character in "()":
            depth += 1 if character == "(" else -1
        elif character == separator and depth == 0:
            pieces.append(text[start:place])
            start = place + 1
    pieces.append(text[start:])
    return pieces


# Status


class Status:
    """Error queue and registers of one device (IEEE 488.2 clause 11, SCPI-1999 volume 1 chapter 9).

    Args:
        queue_length: entries of the error queue; when it is full the newest entry becomes −350.
    """

    def __init__(self, queue_length: int = 16) -> None:
        self._queue_length = queue_length
        self._errors: deque[str] = deque()
        self.event, self.event_enable, self.service_enable = 0x80, 0, 0  # power on has happened
        self.message_available = False
        self.questionable = 0

    def report(self, error: ScpiError) -> None:
        """Put an error into the queue and set its event bit."""
        self.event |= event_bit(error.code)
        if len(self._errors) < self._queue_length:
            self._errors.append(str(error))
        else:
            self._errors[-1] = str(ScpiError(-350))
            self.event |= event_bit(-350)

    def next_error(self) -> str:
        """Oldest error, taken out of the queue; ``0,"No error"`` when there is none."""
        return self._errors.popleft() if self._errors else str(ScpiError(0))

    def clear(self) -> None:
        """What ``*CLS`` does: empty queue, no events; the enable registers stay."""
        self._errors.clear()
        self.event = 0

    def take_event(self) -> int:
        """Event register, cleared by reading."""
        event, self.event = self.event, 0
        return event

    def byte(self) -> int:
        """Status byte as ``*STB?`` answers it, master summary in bit 6."""
        byte = 0x04 * bool(self._errors) | 0x08 * bool(self.questionable) | 0x10 * self.message_available
        byte |= 0x20 * bool(self.event & self.event_enable)
        return byte | 0x40 * bool(byte & self.service_enable & ~0x40)


# The interpreter


@dataclass(frozen=True, slots=True)
class Command:
    """One header with its parameters and its handler."""

    handler: Handler
    parameters: tuple[Parameter, ...] = ()


_Unit = tuple[Handler, tuple[Any, ...]]  # with its parameters as they were read


class Interpreter:
    """Carries out program messages.

    Args:
        commands: by header; the common commands and SYSTem:ERRor?, SYSTem:VERSion? are added.
        status: error queue and registers.
        identity: answer to ``*IDN?``, asked each time.
        reset: what ``*RST`` does.
        self_test: what ``*TST?`` does; None answers 0.
        relative_headers: a header continues in the subsystem of the one before it (SCPI-1999 volume 1, 6.2.4);
            False: every header is complete.
    """

    def __init__(
        self,
        commands: Mapping[str, Command],
        *,
        status: Status,
        identity: Callable[[], str],
        reset: Handler,
        self_test: Handler | None = None,
        relative_headers: bool = True,
    ) -> None:
        self.status, self._relative_headers = status, relative_headers
        octet = (Integer(low=0, high=255),)
        common = {
            "*IDN?": Command(identity),
            "*RST": Command(reset),
            "*CLS": Command(status.clear),
            "*ESE": Command(self._set_event_enable, octet),
            "*ESE?": Command(lambda: str(status.event_enable)),
            "*ESR?": Command(lambda: str(status.take_event())),
            "*SRE": Command(self._set_service_enable, octet),
            "*SRE?": Command(lambda: str(status.service_enable)),
            "*STB?": Command(lambda: str(status.byte())),
            "*OPC": Command(self._operation_complete),
            "*OPC?": Command(lambda: "1"),
            "*WAI": Command(lambda: None),
            "*TST?": Command(self_test or (lambda: "0")),
            "SYSTem:ERRor[:NEXT]?": Command(status.next_error),
            "SYSTem:VERSion?": Command(lambda: "1999.0"),
        }
        self._known: dict[str, Command] = {}
        for header, command in (common | dict(commands)).items():
            for spelling in spellings(header):
                self._known[spelling] = command
        # A bench asks the same few questions over and over again.
        self._program = lru_cache(maxsize=_PROGRAMS)(self._read_message)

    def _set_event_enable(self, value: int) -> None:
        self.status.event_enable = value

    def _set_service_enable(self, value: int) -> None:
        self.status.service_enable = value & ~0x40  # IEEE 488.2 11.3.2: bit 6 is ignored

    def _operation_complete(self) -> None:
        self.status.event |= 0x01

    def run(self, message: str) -> Seconds:
        """Carry out one program message; yields seconds to wait, returns the answer line or None."""
        answers: list[str] = []
        for unit in self._program(message):
            if isinstance(unit, ScpiError):
                self.status.report(unit)
                continue
            handler, values = unit
            try:
                answer = handler(*values)
                if answer is not None:
                    answer = answer if isinstance(answer, str) else (yield from answer)
                if answer is not None:
                    answers.append(answer)
            except ScpiError as error:
                self.status.report(error)
        return ";".join(answers) if answers else None

    def _read_message(self, message: str) -> tuple[_Unit | ScpiError, ...]:
        """Handlers with their parameters, or what is wrong in their places."""
        units: list[_Unit | ScpiError] = []
        path = ""
        for text in split_outside_quotes(message, ";"):
            if not text.strip():
                continue
            try:
                command, tokens, path = self._find(text, path)
                units.append((command.handler, _read(command.parameters, tokens)))
            except ScpiError as error:
                units.append(error.with_traceback(None))
        return tuple(units)

    def _find(self, unit: str, path: str) -> tuple[Command, list[str], str]:
        match = _QUESTION.fullmatch(unit)
        if match is None:
            raise ScpiError(-102 if unit.strip()[:1].isalpha() else -101)
        header = match[1].upper()
        tokens = [token.strip() for token in split_outside_quotes(match[2], ",")] if match[2] else []
        if header.startswith("*"):
            full = header
        else:
            is_complete = header.startswith(":") or not self._relative_headers
            full = header.removeprefix(":") if is_complete else path + header
            path = full.rpartition(":")[0] + ":" if ":" in full else ""
        command = self._known.get(full)
        if command is None:
            raise ScpiError(-113)
        return command, tokens, path


def _read(parameters: tuple[Parameter, ...], tokens: list[str]) -> tuple[Any, ...]:
    if len(tokens) > len(parameters):
        raise ScpiError(-108)
    if any(not token for token in tokens) or any(not p.optional for p in parameters[len(tokens) :]):
        raise ScpiError(-109)
    return tuple(parameter.read(token) for parameter, token in zip(parameters, tokens, strict=False))


def number(value: float, digits: int = 9) -> str:
    """A number as a device answers it (NR3): ``+4.998760000E+00``."""
    return f"{value:+.{digits}E}"
