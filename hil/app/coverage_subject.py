"""What a coverage is about: board, universe, checks, and the table of trials that belongs to exactly these."""

import hashlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from hil.app.check_files import Files
from hil.app.coverage import files_for_trials
from hil.app.fault_universe import universe_of
from hil.app.locate import locate, read_text
from hil.app.processes import in_processes
from hil.app.settings import Settings
from hil.app.visibility import GOOD_UNITS, Looking, first_moved_by, looking, moved_by
from hil.circuit.netlist import Netlist
from hil.circuit.universe import CLASSES, PossibleFault
from hil.core.coverage import GOOD, FaultOf, Trial
from hil.core.plan import Plan
from hil.core.visibility import Moved, Range, ranges_of
from hil.errors import UsageError
from hil.files.located import did_you_mean
from hil.store.trials import TrialTable
from hil.suite import ROOT

Item = TypeVar("Item")
_LOOKS = 12  # units that one process looks at before it takes the next ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What a coverage is about.

    Args:
        possible: the whole universe.
        selected: the part of it that is wanted.
        key: what a reading depends on besides the unit, as names and hashes.
    """

    settings: Settings
    files: Files
    plan: Plan
    netlist: Netlist
    possible: tuple[PossibleFault, ...]
    selected: tuple[PossibleFault, ...]
    key: Mapping[str, str]
    today: str  # ISO date

    @property
    def table(self) -> Path:
        """Where its trials are kept; another netlist, other limits or checks have another file."""
        digest = hashlib.sha256(repr(sorted(self.key.items())).encode()).hexdigest()[:8]
        return self.settings.out / f"coverage-{digest}.sqlite"

    @property
    def faults(self) -> tuple[FaultOf, ...]:
        """The selected faults as figures need them."""
        return tuple(
            FaultOf(
                name=one.text,
                fault_class=one.fault_class,
                components=one.fault.components,
                weight=one.weight,
                inspection=one.inspection,
            )
            for one in self.selected
        )


def subject(
    settings: Settings,
    plan_of: Callable[[Files], Plan],
    checks: Sequence[Path],
    *,
    today: str,
    classes: Sequence[str] = (),
    components: Sequence[str] = (),
) -> Subject:
    """Read and put together what a coverage is about.

    Args:
        plan_of: collects the checks (`hil.runner.plan_unit`).
        checks: folders with checks.
        classes: only faults of these classes.
        components: only faults of these components.

    Raises:
        UsageError: a file is wrong, a class or component does not exist, or the bench is not simulated.
    """
    files = files_for_trials(settings, today)
    netlist, possible = universe_of(files.limits.board)
    chosen = _chosen(possible, netlist, classes, components)
    return Subject(
        settings=settings,
        files=files,
        plan=plan_of(files),
        netlist=netlist,
        possible=possible,
        selected=chosen,
        today=today,
        key={
            "netlist": _hash(locate("board", files.limits.board)),
            "limits": files.limits.sha256,
            "kit": files.kit.sha256,
            "bench": _hash_text(repr(files.bench)),
            "scope": files.scope,
            "checks": _hash(*(path for folder in checks for path in _python(folder)), *_python(ROOT / "fixtures")),
            "simulation": _hash(*(path for room in _SIMULATION for path in _python(_PROGRAM / room))),
        },
    )


def _chosen(
    possible: Sequence[PossibleFault], netlist: Netlist, classes: Sequence[str], components: Sequence[str]
) -> tuple[PossibleFault, ...]:
    for name in classes:
        if name not in CLASSES:
            raise UsageError(f"--class {name}: there is no such class of faults. {did_you_mean(name, CLASSES)}")
    known = [part.designator for part in netlist.components]
    for name in components:
        if name not in known:
            near = did_you_mean(name, known)
            raise UsageError(f"--component {name}: there is no such component on board {netlist.board}. {near}")
    return tuple(
        one
        for one in possible
        if (not classes or one.fault_class in classes)
        and (not components or any(name in components for name in one.fault.components))
    )


_PROGRAM = Path(__file__).parents[1]
_SIMULATION = ("circuit", "sim", "simlink", "wire", "real", "app/visibility.py", "core/visibility.py")


def _python(folder: Path) -> list[Path]:
    return [folder] if folder.is_file() else sorted(folder.rglob("*.py"))


def _hash(*paths: Path) -> str:
    return _hash_text("".join(read_text(path) for path in paths))


def _hash_text(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True, kw_only=True)
class _LookAtGood:
    looks: Looking

    def __call__(self, numbers: Sequence[int]) -> Iterator[dict[str, float]]:
        return (self.looks.good(number) for number in numbers)


@dataclass(frozen=True, slots=True, kw_only=True)
class _LookAtTried:
    """Of units that were not caught all that could be seen is wanted; of the others, whether anything could."""

    looks: Looking
    ranges: Mapping[str, Range]

    def __call__(self, units: Sequence[tuple[Trial, bool]]) -> Iterator[tuple[Trial, tuple[Moved, ...]]]:
        for trial, is_caught in units:
            look = first_moved_by if is_caught else moved_by
            yield trial, look(trial.made, trial.serial, self.looks, self.ranges)


def look(
    about: Subject, table: TrialTable, trials: Collection[Trial], *, jobs: int, good: int = GOOD_UNITS
) -> Iterator[tuple[str, int, int]]:
    """Look at what the faults of tried units move there, those that the table lacks; gives out how far it is.

    The very unit is looked at, at the strength its fault has: whether ±20 % of a component could be seen depends on
    where it was within its tolerance.

    Args:
        good: good units whose range is exceeded or not.

    Raises:
        UsageError: the bench has no meter.
        BenchError: a process ended.
    """
    known = table.moved()
    todo = [
        (one.trial, one.is_caught)
        for one in table.all()
        if one.trial.fault != GOOD and one.trial in trials and (one.trial.fault, one.trial.number) not in known
    ]
    if not todo:
        return
    looks = looking(about.files, about.netlist, about.today)
    found: list[dict[str, float]] = []
    with in_processes(_LookAtGood(looks=looks), _cut(range(good)), jobs=jobs) as seen:
        for one in seen:
            found.append(one)
            yield "good units looked at", len(found), good
    with in_processes(_LookAtTried(looks=looks, ranges=ranges_of(found)), _cut(todo), jobs=jobs) as results:
        for done, (trial, moved) in enumerate(results, start=1):
            table.add_moved(trial, moved)
            yield "units looked at", done, len(todo)


def _cut(items: Sequence[Item]) -> list[Sequence[Item]]:
    return [items[first : first + _LOOKS] for first in range(0, len(items), _LOOKS)]
