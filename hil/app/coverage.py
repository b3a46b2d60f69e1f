"""Try units with one fault each through the very checks of `hil check`, and keep what came of it.

    for tried in try_units(trials, settings, run_unit, now=now):     # one warm bench in this process
        table.add(tried)                                             # durable: hil.store.trials

Nothing here looks into a unit: it is checked through its serial port and the instruments, by the checks as they are,
judged and recorded as ever. Only reports, certificates and uncertainty budgets are left out, which no verdict of a
simple limit needs.
"""

import random
import tempfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from hil.app.check_unit import Order, check_units
from hil.app.settings import Setting, Settings
from hil.circuit.netlist import Netlist
from hil.circuit.universe import PossibleFault, varied
from hil.core.coverage import GOOD, Seen, Trial, Tried
from hil.core.records import Reading, Run

UNITS = 3  # with each fault
BATCH = 40  # units that share an opened bench and a passing record


def read_unit(
    serial: str, faults: Sequence[str], settings: Settings, run_session: Callable[..., None], *, now: str, seed: int = 0
) -> dict[str, Reading]:
    """All readings of one unit with these faults, by row name: what diagnosis and coverage look at.

    Args:
        run_session: `hil.runner.run_unit`.
        now: date and time of the call, ISO 8601.
        seed: of everything random on the bench besides the unit itself.

    Raises:
        UsageError: a file or a fault is wrong.
        BenchError: the bench cannot be opened.
    """
    trial = Trial(fault=" ".join(faults), number=0, serial=serial, made=" ".join(faults))
    (run,) = _runs([trial], settings, run_session, now=now, seed=seed)
    return {reading.name: reading for reading in run.readings}


def trials_of(possible: Sequence[PossibleFault], netlist: Netlist, *, units: int = UNITS, good: int = 0) -> list[Trial]:
    """The trials of a universe: each fault on so many units, and units without a fault first.

    Serial numbers follow from the fault's name and the unit's number, strengths from the serial number; the first unit
    with a fault has it at its usual strength. Asking for more units adds trials and changes none.
    """
    trials = [Trial(fault=GOOD, number=number, serial=f"QM2-{number + 1:05d}") for number in range(good)]
    for number in range(units):
        for one in possible:
            serial = f"QM2-{zlib.crc32(f'{one.text} {number}'.encode()):010d}"
            strength = random.Random(f"{serial}/strength").random() if number else 0.5
            trials.append(Trial(fault=one.text, number=number, serial=serial, made=varied(one, netlist, strength)))
    return trials


def try_units(
    trials: Sequence[Trial], settings: Settings, run_session: Callable[..., None], *, now: str, seed: int = 0
) -> Iterator[Tried]:
    """Each trial on one opened bench in this process; what came of it as soon as it is known.

    Raises:
        UsageError: a file or a fault is wrong.
        BenchError: the bench cannot be opened.
    """
    for trial, run in zip(trials, _runs(trials, settings, run_session, now=now, seed=seed), strict=True):
        yield tried(trial, run)


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


def _runs(
    trials: Sequence[Trial], settings: Settings, run_session: Callable[..., None], *, now: str, seed: int
) -> Iterator[Run]:
    for first in range(0, len(trials), BATCH):
        batch = trials[first : first + BATCH]
        with tempfile.TemporaryDirectory(prefix="hil-coverage-") as folder:
            order = Order(
                serials=tuple(trial.serial for trial in batch),
                settings=_recording_in(settings, folder),
                now=now,
                seed=seed,
                faults_of={trial.serial: _faults(trial) for trial in batch},
            )
            for outcome in check_units(order, lambda unit_run, _: run_session(unit_run, None)):
                yield outcome.run


def _faults(trial: Trial) -> tuple[str, ...]:
    return tuple(trial.made.split())


def _recording_in(settings: Settings, folder: str) -> Settings:
    by_name: Mapping[str, Setting] = {
        **settings.by_name,
        "out": Setting(name="out", value=str(Path(folder)), origin="coverage"),
    }
    return replace(settings, by_name=by_name)
