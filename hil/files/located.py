"""TOML with places: every value of a data file knows its line, and every complaint names file, line, key and remedy.

`tomllib` supplies the values but no lines. A scan of the tokens that `tomllib` has already accepted supplies the line
of each table and key, and nothing else. Parsers never open anything: they are given a label and the text.

    document = parse_document("limits/qm2.toml", text)       # demands `format = 1`
    document.only({"format", "board", "limit"})              # refuses other keys: Did you mean 'limit'.
    for name, table in document.tables("limit"):
        upper = table.quantity("upper", "V", None)           # "5.1 V" -> 5.1, or None when it is not there

A key is shown as it would be written in the file: ``limit."ccal.as_found".upper``, ``part.c_1n.history[2].value`` (the
second entry).
"""

import datetime
import re
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import Enum
from typing import Any, Literal, NoReturn, TypeVar

from hil.core.units import parse_quantity
from hil.core.units import quantity as read_quantity
from hil.errors import FileError

Path = tuple[str | int, ...]
T = TypeVar("T")


class _Needed(Enum):
    NEEDED = "the key has no default"


NEEDED: Literal[_Needed.NEEDED] = _Needed.NEEDED

_TOKEN = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}   # texts over several lines
    |"(?:\\.|[^"\\\n])*"|'[^'\n]*'                  # texts
    |\#[^\n]*|\n|[\[\]{},=.]|[ \t\r]+               # comments, line ends, punctuation, space
    |[^\s\[\]{},="'\#.]+                             # bare keys, numbers, dates''',
    re.DOTALL | re.VERBOSE,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_DECODE_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")
_TYPE_NAMES = {str: "a text", bool: "true or false", int: "a whole number", list: "a list", dict: "a table"}


class _Scan:
    """Lines of tables and keys in a text that is known to be valid TOML."""

    def __init__(self, text: str) -> None:
        self.lines: dict[Path, int] = {(): 1}
        self._tokens: list[tuple[str, int]] = []
        line = 1
        for match in _TOKEN.finditer(text):
            token = match[0]
            if token == "\n" or token[0] not in "# \t\r":
                self._tokens.append((token, line))
            line += token.count("\n")
        self._tokens.append(("", line))
        self._at = 0
        self._entries: dict[Path, int] = {}  # arrays of tables: entries so far
        self._statements()

    @property
    def _token(self) -> str:
        return self._tokens[self._at][0]

    def _statements(self) -> None:
        table: Path = ()
        while self._token:
            if self._token == "\n":
                self._at += 1
            elif self._token == "[":
                table = self._header()
            else:
                self._assignment(table)

    def _header(self) -> Path:
        line = self._tokens[self._at][1]
        is_entry = self._tokens[self._at + 1][0] == "["
        self._at += 2 if is_entry else 1
        path: Path = ()
        for step in self._key():
            if path in self._entries:  # a table below an array of tables belongs to the latest entry
                path = (*path, self._entries[path] - 1)
            path = (*path, step)
            self.lines.setdefault(path, line)
        if is_entry:
            self._entries[path] = self._entries.get(path, 0) + 1
            path = (*path, self._entries[path] - 1)
        self.lines[path] = line
        self._at += 2 if is_entry else 1
        return path

    def _key(self) -> Path:
        steps: list[str] = []
        while True:
            token = self._token
            steps.append(token if _BARE_KEY.fullmatch(token) else next(iter(tomllib.loads(f"{token}=0"))))
            self._at += 1
            if self._token != ".":
                return tuple(steps)
            self._at += 1

    def _assignment(self, table: Path) -> None:
        line = self._tokens[self._at][1]
        path = table
        for step in self._key():
            path = (*path, step)
            self.lines.setdefault(path, line)
        self._at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        if self._token not in ("[", "{"):
            while self._token not in ("", "\n", ",", "]", "}"):
                self._at += 1
            return
        closing = "]" if self._token == "[" else "}"
        self._at += 1
        index = 0
        while self._token != closing:
            if self._token in ("\n", ","):
                self._at += 1
            elif closing == "}":
                self._assignment(path)
            else:
                self.lines[(*path, index)] = self._tokens[self._at][1]
                self._value((*path, index))
                index += 1
        self._at += 1


def _shown(path: Path) -> str:
    shown = ""
    for step in path:
        if isinstance(step, int):
            shown += f"[{step + 1}]"
        else:
            name = step if _BARE_KEY.fullmatch(step) else '"' + step.replace("\\", "\\\\").replace('"', '\\"') + '"'
            shown += f".{name}" if shown else name
    return shown


def did_you_mean(word: str, known: Collection[str]) -> str:
    """`` Did you mean 'upper'.`` when something is near, else the list of what is known."""
    near = get_close_matches(word, list(known), n=1, cutoff=0.6)
    if near:
        return f"Did you mean '{near[0]}'."
    return f"Known: {', '.join(sorted(known)) or 'none'}."


@dataclass(frozen=True, slots=True)
class Table:
    """One table of a data file. Reading methods raise `FileError` naming the key's line.

    Each reading method takes the key and, after what it needs, the default for a missing key; without a default a
    missing key is an error.
    """

    label: str
    path: Path
    values: Mapping[str, Any]
    lines: Mapping[Path, int] = field(repr=False, compare=False)

    # Places and errors
    @property
    def name(self) -> str:
        """The last step of the table's own key, ``c_100p`` for ``[part.c_100p]``."""
        return str(self.path[-1]) if self.path else ""

    def line(self, key: str | None = None) -> int:
        """Line of a key, or of the table when the key is None or not there."""
        path: Path = self.path if key is None else (*self.path, key)
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def error(self, key: str | None, problem: str) -> FileError:
        """An error at a key of this table, or at the table itself."""
        return FileError(self.label, self.line(key), _shown(self.path if key is None else (*self.path, key)), problem)

    def only(self, known: Collection[str]) -> None:
        """Refuse keys that nobody knows."""
        for key in self.values:
            if key not in known:
                raise self.error(key, f"unknown key. {did_you_mean(key, known)}")

    def __contains__(self, key: str) -> bool:
        return key in self.values

    # Values
    def _typed(self, key: str, kind: type, default: Any) -> Any:
        value = self.values.get(key)
        if value is None:
            if default is NEEDED:
                raise self.error(key, f"is missing. Add '{key}' to this table.")
            return default
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise self.error(key, f"must be {_TYPE_NAMES[kind]}, not {value!r}.")
        return value

    def text(self, key: str, default: T | _Needed = NEEDED) -> str | T:
        return self._typed(key, str, default)  # type: ignore[no-any-return]

    def flag(self, key: str, default: T | _Needed = NEEDED) -> bool | T:
        return self._typed(key, bool, default)  # type: ignore[no-any-return]

    def integer(self, key: str, default: T | _Needed = NEEDED, *, minimum: int | None = None) -> int | T:
        value = self._typed(key, int, default)
        if key in self.values and minimum is not None and value < minimum:
            raise self.error(key, f"must be {minimum} or more, not {value}.")
        return value  # type: ignore[no-any-return]

    def number(
        self, key: str, default: T | _Needed = NEEDED, *, above: float | None = None, minimum: float | None = None
    ) -> float | T:
        """A pure number, whole or not."""
        value = self.values.get(key)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            if value != value or value in (float("inf"), float("-inf")):
                raise self.error(key, f"must be a finite number, not {value!r}.")
            if above is not None and not value > above:
                raise self.error(key, f"must be more than {above:g}, not {value!r}.")
            if minimum is not None and not value >= minimum:
                raise self.error(key, f"must be {minimum:g} or more, not {value!r}.")
            return float(value)
        if value is not None:
            raise self.error(key, f"must be a number, not {value!r}.")
        if isinstance(default, _Needed):
            raise self.error(key, f"is missing. Add '{key}' to this table.")
        return default

    def choice(self, key: str, known: Collection[str], default: T | _Needed = NEEDED) -> str | T:
        value = self.text(key, default)
        if key in self.values and value not in known:
            raise self.error(key, f"{value!r} is not known. {did_you_mean(str(value), known)}")
        return value

    def quantity(
        self,
        key: str,
        unit: str,
        default: T | _Needed = NEEDED,
        *,
        above: float | None = None,
        minimum: float | None = None,
    ) -> float | T:
        """A value with a unit (hil.core.units), in unprefixed units; ``above`` and ``minimum`` bound it."""
        if key not in self.values:
            return self._typed(key, str, default)  # type: ignore[no-any-return]
        value: float = self._read(key, lambda text: read_quantity(text, unit))
        if above is not None and not value > above:
            raise self.error(key, f"must be more than {above:g} {unit}".rstrip() + f", not {self.values[key]!r}.")
        if minimum is not None and not value >= minimum:
            raise self.error(key, f"must be {minimum:g} {unit}".rstrip() + f" or more, not {self.values[key]!r}.")
        return value

    def any_quantity(self, key: str) -> tuple[float, str]:
        """A value with whatever unit it has."""
        return self._read(key, parse_quantity)  # type: ignore[no-any-return]

    def _read(self, key: str, parse: Any) -> Any:
        if isinstance(self.values.get(key), (int, float)) and not isinstance(self.values[key], bool):
            raise self.error(key, f"{self.values[key]!r} has no unit; write it as a text like '4.7 nF'.")
        try:
            return parse(self._typed(key, str, NEEDED))
        except ValueError as problem:
            raise self.error(key, f"{problem}.") from None

    def date(self, key: str, default: T | _Needed = NEEDED) -> datetime.date | T:
        value = self.values.get(key)
        if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
            return value
        if value is not None:
            raise self.error(key, f"must be a date like 2026-02-10 without quotes, not {value!r}.")
        if isinstance(default, _Needed):
            raise self.error(key, f"is missing. Add '{key}' to this table.")
        return default

    def texts(self, key: str, default: tuple[str, ...] | _Needed = NEEDED) -> tuple[str, ...]:
        """A list of texts."""
        values = self._typed(key, list, default)
        for value in values:
            if not isinstance(value, str):
                raise self.error(key, f"must be a list of texts, and {value!r} is not one.")
        return tuple(values)

    def span(self, key: str, unit: str, default: T | _Needed = NEEDED) -> tuple[float, float] | T:
        """A list of two values with a unit, the lower one first."""
        if key not in self.values:
            return self._typed(key, list, default)  # type: ignore[no-any-return]
        texts = self.texts(key)
        try:
            low, high = (read_quantity(text, unit) for text in texts)
        except ValueError as problem:
            said = problem if len(texts) == 2 else f"must be two values like ['1 {unit}', '2 {unit}']"
            raise self.error(key, f"{said}.") from None
        if not low < high:
            raise self.error(key, f"{texts[0]!r} is not below {texts[1]!r}. Put the lower one first.")
        return low, high

    # Tables below
    def table(self, key: str) -> "Table":
        """A table below; empty when it is not there."""
        value = self._typed(key, dict, {})
        return Table(self.label, (*self.path, key), value, self.lines)

    def tables(self, key: str) -> Iterator[tuple[str, "Table"]]:
        """The named tables below a key, ``[limit.NAME]``, in the order of the file."""
        parent = self.table(key)
        for name in parent.values:
            parent._typed(name, dict, NEEDED)
            yield name, parent.table(name)

    def entries(self, key: str) -> Iterator["Table"]:
        """The entries of an array of tables, ``[[key]]`` or ``key = [{…}, {…}]``."""
        for index, value in enumerate(self._typed(key, list, [])):
            if not isinstance(value, dict):
                raise self.error(key, f"must be a list of tables, and {value!r} is not one.")
            yield Table(self.label, (*self.path, key, index), value, self.lines)


def parse_document(label: str, text: str, *, format_number: int = 1) -> Table:
    """The whole file as a table, after demanding its ``format``.

    Raises:
        FileError: the text is not TOML, or its format number is missing or another one.
    """
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        _refuse(label, text, str(problem))
    document = Table(label, (), values, _Scan(text).lines)
    found = document.integer("format", None)
    if found is None:
        raise document.error("format", f"is missing. Write 'format = {format_number}' in the first line.")
    if found != format_number:
        newer = "A newer program may read it." if found > format_number else "It is from an older program."
        raise document.error("format", f"is {found}, but this program reads format {format_number}. {newer}")
    return document


def _refuse(label: str, text: str, message: str) -> NoReturn:
    place = _DECODE_PLACE.search(message)
    line = int(place[1]) if place and place[1] else text.count("\n") + 1
    said = _DECODE_PLACE.sub("", message)
    hint = " A key or table stands there twice." if said.startswith(("Cannot overwrite", "Cannot declare")) else ""
    raise FileError(label, line, "", f"not valid TOML: {said}.{hint} Correct the line.")
