"""The plan of a study of the bench: who measures which unit in which order, blind, and what becomes of it.

Designs, all of them balanced:

    crossed    units × operators × repeats     every operator measures every unit; each repeat is a new insertion
    nested     operators / units / repeats     every operator has units of his own; each repeat is a new insertion
    fittings   units / fittings / repeats      a unit is put in several times and read several times without moving it

Rounds come one after the other. In each, operators come in an order drawn anew, and so do the units of each operator,
so that neither who is tired nor what drifts is mistaken for a unit. The order follows from the seed and the names
alone: by digests, so that it is the same on every machine. Operators see codes, not serial numbers.
"""

import hashlib
import itertools
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from typing import Any

FORMAT = 1
_LETTERS, _DIGITS = "ACDEFHJKLMNPRTUVWXY", "23456789"  # none that is taken for another


class Design(StrEnum):
    """How units, operators and repeats go together."""

    CROSSED = "crossed"
    NESTED = "nested"
    FITTINGS = "fittings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One run of a study.

    Args:
        number: from 1, in the order of the plan.
        round: from 1.
        stays: the unit is in the jig from the turn before.
        place: where its readings go in the array that is evaluated.
    """

    number: int
    round: int
    operator: str
    serial: str
    code: str
    stays: bool
    place: tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """A study, planned. It is kept in the record and never changed.

    Args:
        fittings: how often each unit is put in; only of a study of fittings.
        seed: of the order, and of everything random on the simulated bench.
        only: patterns that chose the rows.
        rows: readings that are studied.
        needed: these and everything their checks come after.
        faults: what was put into the simulated bench.
    """

    uid: str
    name: str
    design: Design
    units: tuple[str, ...]
    operators: tuple[str, ...]
    fittings: int
    repeats: int
    seed: int
    only: tuple[str, ...]
    rows: tuple[str, ...]
    needed: tuple[str, ...]
    board: str
    scope: str
    bench: str
    limits_sha256: str
    simulated: bool
    faults: tuple[str, ...]
    made: str
    turns: tuple[Turn, ...]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Of the array of readings of one row."""
        return shape_of(self.design, self.units, self.operators, fittings=self.fittings, repeats=self.repeats)

    def together(self, turn: Turn) -> tuple[Turn, ...]:
        """The turns of one insertion: when one of them is missing, all are taken again."""
        if self.design is not Design.FITTINGS:
            return (turn,)
        return tuple(one for one in self.turns if (one.serial, one.round) == (turn.serial, turn.round))

    def pending(self, done: Collection[int]) -> tuple[Turn, ...]:
        """What is still to be measured, given the numbers of turns that are done."""
        return tuple(turn for turn in self.turns if any(one.number not in done for one in self.together(turn)))

    def as_json(self) -> str:
        """For the record."""
        return json.dumps({"format": FORMAT, **asdict(self)}, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> "StudyPlan":
        """What `as_json` made.

        Raises:
            ValueError: another format, or not a plan.
        """
        data = json.loads(text)
        if not isinstance(data, dict) or data.pop("format", None) != FORMAT:
            raise ValueError("not a plan of a study that this version reads")
        if set(data) != {one.name for one in fields(cls)}:
            raise ValueError("not a whole plan of a study")
        known: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value for name, value in data.items()
        }
        known["turns"] = tuple(Turn(**{**one, "place": tuple(one["place"])}) for one in known["turns"])
        return cls(**{**known, "design": Design(known["design"])})


def shape_of(
    design: Design, units: Sequence[str], operators: Sequence[str], *, fittings: int, repeats: int
) -> tuple[int, int, int]:
    """Shape of the readings of one row, the design's levels from the outside.

    Raises:
        ValueError: a study that cannot be evaluated: too few of something, names twice, units that do not share out.
    """
    for what, names in (("unit", units), ("operator", operators)):
        twins = sorted({name for name in names if names.count(name) > 1})
        if twins:
            raise ValueError(f"{what} {twins[0]} is named twice")
    second = fittings if design is Design.FITTINGS else len(operators)
    what = "fittings" if design is Design.FITTINGS else "operators"
    if len(units) < 2 or second < 2 or repeats < 2:
        raise ValueError(
            f"a study needs two units, two {what} and two repeats or more, "
            f"not {len(units)} units, {second} {what}, {repeats} repeats"
        )
    if design is not Design.NESTED:
        return len(units), second, repeats
    if len(units) % len(operators) or len(units) < 2 * len(operators):
        raise ValueError(f"{len(units)} units do not share out among {len(operators)} operators, two or more each")
    return len(operators), len(units) // len(operators), repeats


def draw_turns(
    design: Design, units: Sequence[str], operators: Sequence[str], *, fittings: int, repeats: int, seed: int
) -> tuple[Turn, ...]:
    """All turns in a random order that follows from the seed.

    Raises:
        ValueError: see `shape_of`.
    """
    shape = shape_of(design, units, operators, fittings=fittings, repeats=repeats)
    codes = _codes(units, seed)
    numbers = itertools.count(1)
    turns: list[Turn] = []
    for round_ in range(1, (fittings if design is Design.FITTINGS else repeats) + 1):
        for operator in _shuffled(operators, seed, round_) or [""]:
            own = units
            if design is Design.NESTED:
                place = operators.index(operator)
                own = units[place * shape[1] : (place + 1) * shape[1]]
            for serial in _shuffled(own, seed, round_, operator):
                for repeat in range(repeats if design is Design.FITTINGS else 1):
                    if design is Design.CROSSED:
                        at = (units.index(serial), operators.index(operator), round_ - 1)
                    elif design is Design.NESTED:
                        at = (operators.index(operator), own.index(serial), round_ - 1)
                    else:
                        at = (units.index(serial), round_ - 1, repeat)
                    turns.append(
                        Turn(
                            number=next(numbers), round=round_, operator=operator, serial=serial, code=codes[serial],
                            stays=repeat > 0, place=at,
                        )
                    )  # fmt: skip
    return tuple(turns)


def _shuffled(names: Iterable[str], *key: object) -> list[str]:
    return sorted(names, key=lambda name: _digest(*key, name))


def _digest(*key: object) -> bytes:
    return hashlib.sha256("/".join(map(str, key)).encode()).digest()


def _codes(units: Sequence[str], seed: int) -> Mapping[str, str]:
    """A short code for each unit that says nothing about it.

    Raises:
        ValueError: more units than codes.
    """
    pool = ["".join(letters) for letters in itertools.product(_LETTERS, _DIGITS, _DIGITS)]
    if len(units) > len(pool):
        raise ValueError(f"a study has at most {len(pool)} units")
    return dict(zip(_shuffled(units, seed, "unit"), _shuffled(pool, seed, "code"), strict=False))
