"""The same units on several benches: do they agree, and if not, who is off and by how much?

Agreement is shown, not assumed: the 90 % interval of the mean difference over the units lies within the margin (two
one-sided tests, `hil.core.compare`). Beside it stands the E_n number of each unit,

    E_n = (x − x_other) / √(U² + U_other²)          |E_n| ≤ 1: the stated uncertainties explain the difference

(ISO 13528:2022 and ISO/IEC 17043:2023 have it for a laboratory against an assigned value; from memory). What both
benches share - one kit of reference parts carried from bench to bench - is in both uncertainties, so E_n is then too
small rather than too large.

With three benches or more each is held against the median of the others, unit by unit, which tells who is off. Two
benches only tell that they differ; where a row reads a reference part, the one that reads further from it is named.
"""

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from hil.core.compare import Finding, Shift, against_chance, compare_values, granularity
from hil.core.units import show


@dataclass(frozen=True, slots=True, kw_only=True)
class OneReading:
    """One numeric reading on one bench; `expanded_uncertainty` is None where the row has no budget."""

    value: float
    expanded_uncertainty: float | None = None
    nominal: float | None = None  # value of the reference part it reads


@dataclass(frozen=True, slots=True, kw_only=True)
class RowOnBenches:
    """Readings of one row: bench -> unit -> readings.

    Args:
        margin: how far benches may differ, in the unit of the row; None: an adjustment sets it, so it is not judged.
    """

    name: str
    title: str
    unit: str
    margin: float | None
    readings: Mapping[str, Mapping[str, Sequence[OneReading]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Off:
    """One bench in one row, against the other or the median of the others.

    Args:
        shift: this bench less the others, over the units they share.
        e_n: unit -> E_n; empty where a row has no uncertainties.
    """

    bench: str
    row: str
    unit: str
    shift: Shift
    e_n: Mapping[str, float]
    words: str = ""

    @property
    def worst_e_n(self) -> float | None:
        """The E_n number that is furthest from zero."""
        return max(self.e_n.values(), key=abs, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """What the rows of one unit (volts, farads, …) have in common where one bench is off.

    Args:
        rows: how many differ, of `of` that were compared.
        ratio: median of the difference as a ratio of the reading; one ratio for all is a matter of scale.
    """

    bench: str
    unit: str
    rows: int
    of: int
    ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """All rows on all benches; with two benches each row is there once, the second less the first."""

    benches: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[Off, ...]

    def of(self, finding: Finding) -> tuple[Off, ...]:
        """Rows with this finding."""
        return tuple(one for one in self.rows if one.shift.finding is finding)

    @property
    def patterns(self) -> tuple[Pattern, ...]:
        """For each bench and unit in which it is off, by how much of the reading."""
        found = []
        differ = self.of(Finding.CHANGED)
        for bench, unit in dict.fromkeys((one.bench, one.unit) for one in differ):
            own = [one for one in self.rows if (one.bench, one.unit) == (bench, unit)]
            ratios = [
                one.shift.difference.value / abs(one.shift.baseline)
                for one in own
                if one in differ and one.shift.difference is not None
                and isinstance(one.shift.baseline, float) and one.shift.baseline
            ]  # fmt: skip
            if ratios:
                found.append(
                    Pattern(bench=bench, unit=unit, rows=len(ratios), of=len(own), ratio=statistics.median(ratios))
                )
        return tuple(found)


def e_n(value: float, expanded: float, other: float, other_expanded: float) -> float:
    """E_n number of two values with their expanded uncertainties.

    Raises:
        ValueError: neither has an uncertainty, or one is negative.
    """
    if expanded < 0 or other_expanded < 0 or expanded + other_expanded <= 0:
        raise ValueError(f"E_n needs expanded uncertainties above zero, not {expanded!r} and {other_expanded!r}")
    return (value - other) / math.hypot(expanded, other_expanded)


def compare_benches(rows: Sequence[RowOnBenches]) -> Agreement:
    """Hold the benches against each other, row by row; differences are held against chance over all of them (Holm).

    Raises:
        ValueError: fewer than two benches, or no unit that two of them have measured.
    """
    benches = tuple(dict.fromkeys(bench for row in rows for bench in row.readings))
    if len(benches) < 2:
        raise ValueError(f"two benches or more are needed, not {len(benches)}")
    judged = benches if len(benches) > 2 else benches[1:]
    found = [(row, one) for row in rows for bench in judged if (one := _off(row, bench)) is not None]
    if not found:
        raise ValueError(f"the benches {' and '.join(benches)} have measured no unit in common")
    held = against_chance([one.shift for _, one in found]).shifts
    done = [replace(one, shift=shift) for (_, one), shift in zip(found, held, strict=True)]
    return Agreement(
        benches=benches,
        units=tuple(dict.fromkeys(serial for row, one in found for serial in _shared(row, one.bench))),
        rows=tuple(replace(one, words=_words(one, row, benches)) for (row, _), one in zip(found, done, strict=True)),
    )


def _shared(row: RowOnBenches, bench: str) -> tuple[str, ...]:
    """Units that this bench and another one have measured."""
    own = row.readings.get(bench, {})
    return tuple(
        serial
        for serial, readings in own.items()
        if readings and any(other.get(serial) for name, other in row.readings.items() if name != bench)
    )


def _off(row: RowOnBenches, bench: str) -> Off | None:
    """This bench against the median of the others on the units they share; None when there are none."""
    shared = _shared(row, bench)
    if not shared:
        return None
    own = {serial: [one.value for one in row.readings[bench][serial]] for serial in shared}
    others, e_ns = {}, {}
    for serial in shared:
        sides = [other[serial] for name, other in row.readings.items() if name != bench and other.get(serial)]
        # Repeats of one other bench stay repeats; of several benches the median of their means stands for them.
        alone = len(sides) == 1
        others[serial] = [one.value for one in sides[0]] if alone else [statistics.median(map(_mean, sides))]
        expanded, other_expanded = _uncertainty([row.readings[bench][serial]]), _uncertainty(sides)
        if expanded is not None and other_expanded is not None and expanded + other_expanded > 0:
            e_ns[serial] = e_n(
                _mean(row.readings[bench][serial]), expanded, math.fsum(others[serial]) / len(others[serial]),
                other_expanded,
            )  # fmt: skip
    floor = granularity(others, own) / math.sqrt(12)
    shift = compare_values(row.name, others, own, margin=row.margin, unit=row.unit, floor=floor)
    return Off(bench=bench, row=row.name, unit=row.unit, shift=shift, e_n=e_ns)


def _mean(readings: Sequence[OneReading]) -> float:
    return math.fsum(one.value for one in readings) / len(readings)


def _uncertainty(sides: Sequence[Sequence[OneReading]]) -> float | None:
    """Expanded uncertainty of the mean of benches, each with that of its readings: repeats do not make it smaller."""
    each = [max((one.expanded_uncertainty or 0.0 for one in side), default=0.0) for side in sides]
    return math.hypot(*each) / len(each) if all(each) else None


def _words(one: Off, row: RowOnBenches, benches: Sequence[str]) -> str:
    shift = one.shift
    if shift.difference is None:
        return shift.reason
    others = "the others" if len(benches) > 2 else benches[0]
    more = "more" if shift.difference.value > 0 else "less"
    size = f"{one.bench} reads {show(abs(shift.difference.value), one.unit, 3)} {more} than {others}"
    words = []
    if shift.finding is Finding.CHANGED:
        words.append(size)
        if len(benches) == 2:
            words.append(_further_off(row, benches))
    elif shift.finding is Finding.CANNOT_TELL:
        words.append(shift.reason or f"{size}; more units or repeats are needed to tell")
    beyond = [serial for serial, value in one.e_n.items() if abs(value) > 1]
    if beyond:
        words.append(f"|E_n| > 1 on {len(beyond)} of {len(one.e_n)} units")
    return "; ".join(words)


def _further_off(row: RowOnBenches, benches: Sequence[str]) -> str:
    """Which of two benches reads further from the reference part, as far as that can be told."""
    deviations = {}
    for bench in benches:
        known = [one for own in row.readings[bench].values() for one in own if one.nominal is not None]
        if not known:
            return "which of the two is off, a third bench would tell"
        deviations[bench] = math.fsum(one.value - (one.nominal or 0.0) for one in known) / len(known)
    worst = max(deviations, key=lambda bench: abs(deviations[bench]))
    return f"{worst} is further from the reference part ({show(deviations[worst], row.unit, 3)})"
