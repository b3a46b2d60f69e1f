"""Try units with one fault each through the very checks of `hil check`, and keep what came of it.

    work = Work(settings=settings, files=files_for_trials(settings, today), open_session=BoardSession, now=now)
    with TrialTable(path, key=key) as table:
        for tried in fill(table, trials_of(universe(netlist, weights), netlist), work, jobs=2): ...

Nothing here looks into a unit: it is checked through its serial port and the instruments, by the checks as they are,
judged and recorded as ever. Only reports, certificates and uncertainty budgets are left out, which no verdict of a
simple limit needs.
"""

import os
import random
import tempfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace

from hil.app.check_files import Files, read_files
from hil.app.check_unit import Order, RunSession, check_in_turn
from hil.app.limits_release import require_released
from hil.app.open_bench import refuse_simulation_options
from hil.app.processes import in_processes
from hil.app.settings import Setting, Settings
from hil.circuit.netlist import Netlist
from hil.circuit.universe import PossibleFault, varied
from hil.core.coverage import GOOD, Seen, Trial, Tried
from hil.core.records import Run
from hil.store.trials import TrialTable

OpenSession = Callable[[], AbstractContextManager[RunSession]]

UNITS = 3
BATCH = 25  # units that share an opened bench and a passing record
_MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # nobody reads this record after the run
COMMON = "QM2-00001"  # the unit that has every fault once, and none once


def trials_of(possible: Sequence[PossibleFault], netlist: Netlist, *, units: int = UNITS, good: int = 0) -> list[Trial]:
    """The trials of a universe: units without a fault, then each fault on a first unit, on a second …

    The first unit with a fault is the same for all faults, and has each at its usual strength: what two faults do can
    be compared without tolerances between them. The others are units of their own, with strengths of their own. Asking
    for more units adds trials and changes none.
    """
    trials = [Trial(fault=GOOD, number=number, serial=f"QM2-{number + 1:05d}") for number in range(good)]
    for number in range(units):
        for one in possible:
            own = f"QM2-{zlib.crc32(f'{one.text} {number}'.encode()):010d}"
            serial = own if number else COMMON
            strength = random.Random(f"{own}/strength").random() if number else 0.5
            trials.append(Trial(fault=one.text, number=number, serial=serial, made=varied(one, netlist, strength)))
    return trials


def tried(trial: Trial, run: Run) -> Tried:
    """A recorded run as what came of a trial."""
    closed = run.closed
    return Tried(
        trial=trial,
        verdict=run.verdict,
        readings={one.name: Seen(value=one.value, verdict=one.verdict) for one in run.readings},
        trouble=closed.reason if closed is not None and closed.verdict == "INCOMPLETE" else "",
        seconds=closed.actual_seconds if closed is not None else 0.0,
        row_seconds={one.name: one.seconds for one in run.readings},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Tries units, each batch on a bench in its own process; everything here can be pickled.

    Args:
        open_session: `hil.runner.BoardSession`.
        now: date and time of the call, ISO 8601.
    """

    settings: Settings
    files: Files
    open_session: OpenSession
    now: str
    seed: int = 0

    def __call__(self, batch: Sequence[Trial]) -> Iterator[Tried]:
        """What came of each trial, as soon as it is known.

        Raises:
            UsageError: a fault is wrong.
            BenchError: the bench cannot be opened.
        """
        runs = _runs(batch, self.files, self.settings, self.open_session, self.now, self.seed)
        for trial, run in zip(batch, runs, strict=True):
            yield tried(trial, run)


def fill(table: TrialTable, trials: Sequence[Trial], work: Work, *, jobs: int) -> Iterator[Tried]:
    """Try what the table lacks; each is durable there before it is given out.

    Raises:
        UsageError: a file or a fault is wrong.
        BenchError: the bench cannot be opened, or a process ended.
    """
    made = table.made()
    todo = [trial for trial in trials if trial not in made]
    size = max(1, min(BATCH, -(-len(todo) // (2 * jobs))))
    batches = [todo[first : first + size] for first in range(0, len(todo), size)]
    with in_processes(work, batches, jobs=jobs) as results:
        for one in results:
            table.add(one)
            yield one


def _runs(
    trials: Sequence[Trial], files: Files, settings: Settings, open_session: OpenSession, now: str, seed: int
) -> Iterator[Run]:
    for batch in _apart(trials):
        with tempfile.TemporaryDirectory(prefix="hil-coverage-", dir=_MEMORY) as folder:
            order = Order(
                serials=tuple(trial.serial for trial in batch),
                settings=_recording_in(settings, folder),
                now=now,
                seed=seed,
                faults_of={trial.serial: tuple(trial.made.split()) for trial in batch},
            )
            turns = ((serial, order) for serial in order.serials)
            with open_session() as session:
                for outcome in check_in_turn(turns, order, files, session):
                    yield outcome.run


def files_for_trials(settings: Settings, today: str) -> Files:
    """The files of a check, read once for all trials.

    Raises:
        UsageError: a file is wrong, the limits are not released, or the bench is not simulated in this process.
    """
    files = read_files(settings, today=today)
    require_released(settings["limits"], files.limits)
    refuse_simulation_options(files.bench, seed=0, faults=("any",))
    return files


def _apart(trials: Sequence[Trial]) -> Iterator[list[Trial]]:
    """Cut where a serial number comes again: on one bench it would be the same unit, with what it has stored."""
    batch: list[Trial] = []
    for trial in trials:
        if batch and (len(batch) == BATCH or any(trial.serial == other.serial for other in batch)):
            yield batch
            batch = []
        batch.append(trial)
    if batch:
        yield batch


def _recording_in(settings: Settings, folder: str) -> Settings:
    by_name: Mapping[str, Setting] = {
        **settings.by_name,
        "out": Setting(name="out", value=folder, origin="coverage"),
    }
    return replace(settings, by_name=by_name)
