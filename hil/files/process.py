"""Process files: text -> what units are like before they are judged, for `hil risk`.

format = 1
board = "qm2"
reliability = "95 %"             # of limits without an entry: centred normal, this share within the two limits
[check.c_100p]                   # pattern of row names; later tables win
mean = "0.02 pF"                 # of the true value less the nominal, or less the middle of the limits; default 0
sd = "0.05 pF"                   # standard deviation, more than zero; or "0.05 %" of the nominal
[shared.Ccal]                    # what the checks of one unit share: standard deviation relative to the nominal,
"c_*" = "0.02 %"                 # or in the unit of the limit; a minus sign where it acts the opposite way
"l_*" = "-0.02 %"
"""

from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from hil.core.limit import Limit, Place
from hil.core.units import parse_quantity
from hil.errors import FileError
from hil.files.located import Table, parse_document

if TYPE_CHECKING:
    from hil.core.risk import Process

KEYS = ("format", "board", "reliability", "check", "shared")
CHECK_KEYS = ("mean", "sd")
Quantity = tuple[float, str]  # number and unit; "" is relative to the nominal where the limit has a unit


@dataclass(frozen=True, slots=True, kw_only=True)
class OfCheck:
    """One table [check.PATTERN]."""

    pattern: str
    mean: Quantity
    sd: Quantity
    place: Place = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """One line of a table [shared.NAME]."""

    name: str
    pattern: str
    loading: Quantity
    place: Place = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessFile:
    """What units are like, by patterns of row names."""

    board: str
    reliability: float
    checks: tuple[OfCheck, ...]
    shared: tuple[Shared, ...]
    file: str

    def of(self, limit: Limit) -> "Process | None":
        """The process behind a limit; None for a one-sided limit that nothing is known of.

        Raises:
            FileError: a unit that is not the limit's.
        """
        from hil.core.risk import Process, process_from_reliability  # late: scipy, which no other file needs

        centre = limit.centre
        for entry in reversed(self.checks):
            if fnmatchcase(limit.name, entry.pattern):
                key = f"check.{entry.pattern}"
                mean, sd = (_in_unit(one, limit, entry.place, key) for one in (entry.mean, entry.sd))
                return Process(mean=centre + mean, sd=sd)
        if limit.lower is None or limit.upper is None or limit.lower == limit.upper:
            return None
        return process_from_reliability(limit.zone, self.reliability)

    def shared_by(self, limit: Limit) -> dict[str, float]:
        """Shared influence -> standard deviation, signed, in the unit of the limit.

        Raises:
            FileError: a unit that is not the limit's.
        """
        return {
            entry.name: _in_unit(entry.loading, limit, entry.place, f"shared.{entry.name}.{entry.pattern}")
            for entry in self.shared
            if fnmatchcase(limit.name, entry.pattern)
        }

    def refusal(self, limit: Limit, problem: str) -> FileError:
        """The error about what is shared by a limit's checks, at the first line that says it."""
        entry = next((one for one in self.shared if fnmatchcase(limit.name, one.pattern)), None)
        line = entry.place.line if entry else None
        words = f"{problem}. Make what is shared smaller, or the standard deviation of the check larger."
        return FileError(self.file, line, f"shared.{entry.name}" if entry else "", words)


ASSUMED = ProcessFile(board="", reliability=0.95, checks=(), shared=(), file="assumed")


def _in_unit(quantity: Quantity, limit: Limit, place: Place, key: str) -> float:
    number, unit = quantity
    if unit == limit.unit:
        return number
    if unit == "":
        return number * abs(limit.centre)
    words = f"is in {unit}, but {limit.name} is in {limit.unit or 'a pure number'}. Give it in that unit or in %."
    raise FileError(place.file, place.line, key, words)


def parse_process(label: str, text: str) -> ProcessFile:
    """Read a process file.

    Raises:
        FileError: anything wrong, with line, key and remedy.
    """
    document = parse_document(label, text)
    document.only(KEYS)
    reliability = document.quantity("reliability", "", 0.95)
    if not 0 < reliability < 1:
        raise document.error("reliability", f"must lie between 0 % and 100 %, not {reliability:.3%}.")
    return ProcessFile(
        board=document.text("board"),
        reliability=reliability,
        checks=tuple(_check(table) for _, table in document.tables("check")),
        shared=tuple(
            Shared(name=name, pattern=pattern, loading=table.any_quantity(pattern), place=_place(table, pattern))
            for name, table in document.tables("shared")
            for pattern in table.values
        ),
        file=label,
    )


def _check(table: Table) -> OfCheck:
    table.only(CHECK_KEYS)
    mean = table.any_quantity("mean") if "mean" in table else parse_quantity("0 %")
    sd = table.any_quantity("sd")
    if not sd[0] > 0:
        raise table.error("sd", f"must be more than zero, not {table.values['sd']!r}.")
    return OfCheck(pattern=table.name, mean=mean, sd=sd, place=_place(table))


def _place(table: Table, key: str | None = None) -> Place:
    return Place(file=table.label, line=table.line(key) if key is not None else table.line())
