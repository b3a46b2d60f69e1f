"""What will be measured, known before anything is touched.

A check declares what it needs; a limits file says which rows there are; together they make an immutable `Plan`.

    @check(reads="c_*", needs=("meter", "part"), power="on", after=("calibration",), seconds=1.4)
    def test_capacitance(row, meter, fit, judge): ...

`reads` are shell patterns over row names; one item per matching row. `after` names groups (modules of tests/board
without ``test_``) or row patterns: when a reading of those failed or was not measured, this check is not
measured, and says why; and where it is asked for alone, those are measured before it. With a tilde before it ("~zero")
a word only says what is measured before, whatever comes of it. `power` is what the unit must be like: "off", "on" or
"any" (the check switches power itself).
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase, translate
from functools import cache
from typing import TypeVar

ROLES = ("supply", "voltmeter", "counter", "generator", "selector", "thermometer", "meter", "operator", "programmer")
NEEDS = (*ROLES, "part")
WHATEVER = "~"

Function = TypeVar("Function", bound=Callable[..., object])


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """What one check function declares."""

    reads: tuple[str, ...]
    needs: tuple[str, ...] = ()
    power: str = "on"
    after: tuple[str, ...] = ()
    seconds: float = 0.1

    def __post_init__(self) -> None:
        if not self.reads:
            raise ValueError("a check reads at least one row: reads='rail_*'")
        unknown = [need for need in self.needs if need not in NEEDS]
        if unknown:
            raise ValueError(f"unknown need {unknown[0]!r}; known: {', '.join(NEEDS)}")
        if self.power not in ("on", "off", "any"):
            raise ValueError(f"power is 'on', 'off' or 'any', not {self.power!r}")
        if not self.seconds >= 0:
            raise ValueError(f"seconds must be zero or more, not {self.seconds!r}")

    def matches(self, name: str) -> bool:
        """Whether this check reads the row of that name."""
        return _any_of(self.reads)(name) is not None


@cache
def _any_of(patterns: tuple[str, ...]) -> Callable[[str], object]:
    return re.compile("|".join(map(translate, patterns))).match


def is_meant(word: str, *, name: str, group: str) -> bool:
    """Whether a word of `after` means the row of that name and group."""
    pattern = word.removeprefix(WHATEVER)
    return pattern == group or fnmatchcase(name, pattern)


def _words(value: str | tuple[str, ...]) -> tuple[str, ...]:
    return tuple(value.split()) if isinstance(value, str) else tuple(value)


def check(
    *,
    reads: str | tuple[str, ...],
    needs: str | tuple[str, ...] = (),
    power: str = "on",
    after: str | tuple[str, ...] = (),
    seconds: float = 0.1,
) -> Callable[[Function], Function]:
    """Declare what a board check reads and needs; words may be one string with spaces or a tuple.

    Raises:
        ValueError: an unknown need or power state.
    """
    declaration = Declaration(
        reads=_words(reads), needs=_words(needs), power=power, after=_words(after), seconds=seconds
    )

    def declare(function: Function) -> Function:
        function.hil_check = declaration  # type: ignore[attr-defined]
        return function

    return declare


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRow:
    """One reading that will be taken."""

    name: str
    check: str  # module::function
    group: str
    needs: tuple[str, ...]
    power: str
    after: tuple[str, ...]
    seconds: float
    part: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """All rows of one scope in the order they will be taken."""

    rows: tuple[PlannedRow, ...]
    scope: str
    outside_scope: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()  # rows of the scope that no check reads: never complete
    missing_roles: tuple[tuple[str, str], ...] = ()  # (role, first row that needs it)

    @property
    def seconds(self) -> float:
        """Gate, settling and instrument times, s."""
        return sum(row.seconds for row in self.rows)

    @property
    def fittings(self) -> tuple[str, ...]:
        """Reference parts in the order they are fitted; a part fitted twice in a row counts once."""
        order: list[str] = []
        for row in self.rows:
            if row.part is not None and (not order or order[-1] != row.part):
                order.append(row.part)
        return tuple(order)


def comes_after(rows: Sequence[PlannedRow]) -> dict[str, frozenset[str]]:
    """For each row the rows before it in the plan that it comes after, directly or by way of others."""
    found: dict[str, frozenset[str]] = {}
    for place, row in enumerate(rows):
        direct = [
            other.name
            for other in rows[:place]
            if any(is_meant(word, name=other.name, group=other.group) for word in row.after)
        ]
        found[row.name] = frozenset(direct).union(*(found[name] for name in direct))
    return found


def with_what_they_need(names: Iterable[str], rows: Sequence[PlannedRow]) -> tuple[str, ...]:
    """Rows of those names and everything that they come after, in the order of the plan."""
    asked, after = set(names), comes_after(rows)
    needed = asked.union(*(after[row.name] for row in rows if row.name in asked))
    return tuple(row.name for row in rows if row.name in needed)
