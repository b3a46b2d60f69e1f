"""The asking side of SCPI-1999 and IEEE 488.2: answers -> values, and command sets that are data.

A command set says, verb by verb, what is sent to an instrument and how its answer is read; another instrument is
another file. Verbs and the names that their templates may use are those of `VERBS`.
"""

import math
import re
import string
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from hil.wire.scpi import NOT_A_NUMBER, OVER_RANGE, split_outside_quotes

# kind of instrument -> verb -> names that its template may use
# names in templates are in unprefixed SI units; offset_v is half of amplitude_v (peak to peak), channels is "101,203"
VERBS: Mapping[str, Mapping[str, frozenset[str]]] = {
    "supply": {
        "set": frozenset({"voltage_v", "current_limit_a"}),
        "on": frozenset(),
        "off": frozenset(),
        "voltage_v": frozenset(),
        "current_a": frozenset(),
        "in_current_limit": frozenset(),
    },
    "voltmeter": {"voltage_v": frozenset(), "resistance_ohm": frozenset(), "current_a": frozenset()},
    "counter": {"frequency_hz": frozenset({"gate_s"})},
    "generator": {"square": frozenset({"frequency_hz", "amplitude_v", "offset_v"}), "off": frozenset()},
    "thermometer": {"temperature_degc": frozenset()},
    "selector": {"close": frozenset({"channels"}), "open": frozenset({"channels"}), "release": frozenset()},
}
ANSWERS = ("none", "number", "flag")
NO_ERROR = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """The four fields of an answer to ``*IDN?`` (IEEE 488.2 10.14)."""

    maker: str
    model: str
    serial: str
    firmware: str


def parse_identity(answer: str) -> Identity:
    """Read an answer to ``*IDN?``.

    Raises:
        ValueError: not four fields.
    """
    fields = [text.strip() for text in answer.split(",")]
    if len(fields) != 4 or not fields[0]:
        raise ValueError(f"{answer!r} is no answer to *IDN?: maker, model, serial number, firmware are due")
    return Identity(maker=fields[0], model=fields[1], serial=fields[2], firmware=fields[3])


def number(answer: str) -> float:
    """Read a number; 9.9E37 is infinite, 9.91E37 not a number (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5).

    Raises:
        ValueError: not a number, or NaN and infinity spelt out, which no SCPI answer is.
    """
    text = answer.strip()
    if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text, re.ASCII) is None:
        raise ValueError(f"{answer!r} is not a number")
    value = float(text)
    # An instrument may print them in single precision; the two lie 0.1 % apart.
    if math.isclose(abs(value), NOT_A_NUMBER, rel_tol=1e-5):
        return math.nan
    if math.isclose(abs(value), OVER_RANGE, rel_tol=1e-5):
        return math.copysign(math.inf, value)
    return value


def flag(answer: str) -> bool:
    """Read 0, 1, ON or OFF.

    Raises:
        ValueError: something else.
    """
    known = {"0": False, "1": True, "OFF": False, "ON": True, "+0": False, "+1": True}
    try:
        return known[answer.strip().upper()]
    except KeyError:
        raise ValueError(f"{answer!r} is neither 0 nor 1") from None


def text(answer: str) -> str:
    """Read a quoted string; a doubled quote stands for one.

    Raises:
        ValueError: not quoted.
    """
    stripped = answer.strip()
    if len(stripped) < 2 or stripped[0] not in "\"'" or stripped[-1] != stripped[0]:
        raise ValueError(f"{answer!r} is not a quoted string")
    return stripped[1:-1].replace(stripped[0] * 2, stripped[0])


def answers(line: str) -> list[str]:
    """The answers of one line that asked several questions."""
    return [part.strip() for part in split_outside_quotes(line, ";")]


def values(answer: str) -> list[str]:
    """The comma-separated values of one answer."""
    return [part.strip() for part in split_outside_quotes(answer, ",")]


@lru_cache(maxsize=256)
def error(answer: str) -> tuple[int, str]:
    """Read an entry of the error queue, ``-113,"Undefined header"``.

    Raises:
        ValueError: not an entry.
    """
    code, _, said = answer.partition(",")
    if re.fullmatch(r"\s*[+-]?\d+\s*", code, re.ASCII) is None:
        raise ValueError(f"{answer!r} is no entry of an error queue")
    return int(code), text(said) if said.strip()[:1] in ("'", '"') else said.strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verb:
    """One thing an instrument does.

    Args:
        send: template; ``{voltage_v:.4f}`` is replaced.
        answer: "number", "flag", or "none" when nothing is answered.
        scale: an answered number is multiplied by it, so that it is in unprefixed SI units.
        bit: of an answered integer, the flag's bit; None: the answer itself.
        seconds: how long it takes at most, besides what its arguments say (a gate).
    """

    send: str
    answer: str = "none"
    scale: float = 1.0
    bit: int | None = None
    seconds: float = 0.0

    def __post_init__(self) -> None:
        if self.answer not in ANSWERS:
            raise ValueError(f"answer {self.answer!r} is not known; known: {', '.join(ANSWERS)}")
        if (self.answer != "none") != ("?" in self.send):
            raise ValueError(f"{self.send!r} with answer {self.answer!r}: a question has a '?', a command has none")
        if not (math.isfinite(self.scale) and self.scale != 0):
            raise ValueError(f"scale must be a finite number and not zero, not {self.scale!r}")

    @property
    def names(self) -> frozenset[str]:
        """Names that the template uses.

        Raises:
            ValueError: a brace too many or too few.
        """
        return frozenset(name for _, name, _, _ in string.Formatter().parse(self.send) if name is not None)

    def message(self, arguments: Mapping[str, float | str]) -> str:
        """The text to send."""
        return self.send.format_map(arguments)

    def read(self, answer: str) -> float:
        """The answered value, SI; a flag is 0.0 or 1.0.

        Raises:
            ValueError: not such an answer.
        """
        if self.bit is not None:
            register = number(answer)
            if not (math.isfinite(register) and register == int(register) and register >= 0):
                raise ValueError(f"{answer!r} is not a register")
            return float(int(register) >> self.bit & 1)
        if self.answer == "flag":
            return float(flag(answer))
        return number(answer) * self.scale


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandSet:
    """How one kind of instrument is spoken to.

    Args:
        kind: a key of `VERBS`.
        start: sent once after opening, before anything else.
        acknowledge: put behind every command; its answers are ``1`` and entries of the error queue. "" when the
            instrument cannot do that.
        identify: question for the identity.
    """

    name: str
    kind: str
    verbs: Mapping[str, Verb]
    start: str = "*RST;*CLS"
    acknowledge: str = ";*OPC?;:SYSTem:ERRor?"
    identify: str = "*IDN?"
    file: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        if self.kind not in VERBS:
            raise ValueError(f"kind {self.kind!r} is not known; known: {', '.join(VERBS)}")
        for name, verb in self.verbs.items():
            if name not in VERBS[self.kind]:
                raise ValueError(f"a {self.kind} has no verb {name!r}; known: {', '.join(VERBS[self.kind])}")
            unknown = verb.names - VERBS[self.kind][name]
            if unknown:
                known = ", ".join(sorted(VERBS[self.kind][name])) or "none"
                raise ValueError(f"{name}: {{{min(unknown)}}} is not known in a template; known: {known}")
