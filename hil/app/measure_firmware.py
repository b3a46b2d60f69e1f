"""Run a firmware on simulated units, off the record: blank units, several repeats, as many at once as there are cores.

Every run has a bench of its own with the same errors and the same parts (the seed) but noise of its own (the repeat),
so that two firmwares meet the same circumstances.
"""

import os
import re
import secrets
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from hil.app.budgets import budgets_of
from hil.app.check_files import Files, read_files, unit_run_of
from hil.app.check_unit import Order, RunSession, opening_of
from hil.app.open_bench import Bench, open_bench
from hil.app.probes import probe_unit
from hil.app.recorder import Recorder
from hil.app.settings import Settings
from hil.core.plan import Plan
from hil.core.records import Reading, Run, RunClosed, RunOpened
from hil.errors import BenchError, UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One run: which firmware ("" is the device model) on which unit, the how-manieth time."""

    firmware: str
    serial: str
    repeat: int
    settings: Settings
    seed: int
    now: str


class Unrecorded:
    """A `hil.ports.Store` that keeps one run in memory."""

    def __init__(self) -> None:
        self._opened: RunOpened | None = None
        self._readings: list[Reading] = []
        self._closed: RunClosed | None = None

    def open_run(self, opened: RunOpened) -> None:
        self._opened = opened

    def append(self, run: str, reading: Reading) -> None:
        self._readings.append(reading)

    def close_run(self, closed: RunClosed) -> None:
        self._closed = closed

    def run(self, run: str) -> Run:
        if self._opened is None:
            raise BenchError("The run did not begin.")
        return Run(opened=self._opened, readings=tuple(self._readings), closed=self._closed)

    def runs(self, *, serial: str | None = None, lot: str | None = None) -> Iterable[Run]:
        return () if self._opened is None else (self.run(""),)


def measure_once(task: Task, run_session: RunSession) -> Run:
    """One run on a bench of its own.

    Raises:
        UsageError: limits, bench or kit are wrong, or the bench is not the simulated one.
        BenchError: the firmware cannot be run, or the simulation broke.
    """
    order = Order(serials=(task.serial,), settings=task.settings, now=task.now, seed=task.seed, firmware=task.firmware)
    files = read_files(task.settings, today=order.today)
    store = Unrecorded()
    run_id = f"{task.serial}-{task.repeat}-{secrets.token_hex(3)}"
    with ExitStack() as stack:

        def begin(plan: Plan) -> tuple[Bench, Recorder]:
            bench = stack.enter_context(
                open_bench(files.bench, files.kit, board=files.limits.board, seed=task.seed, firmware=task.firmware)
            )
            bench.insert(task.serial, attempt=task.repeat + 1)
            opening = opening_of(run_id, task.serial, task.repeat + 1, order, files, bench, plan)
            store.open_run(opening)
            unit_run.budget_for = budgets_of(files.bench, order.today)
            return bench, Recorder(store, opening, plan, bench.clock, unit_run.live.judged)

        unit_run = replace(unit_run_of(files), serial=task.serial, open=begin)
        run_session(unit_run)
        if isinstance(unit_run.trouble, BenchError):
            raise unit_run.trouble
        run = store.run(run_id)
        return replace(run, readings=(*run.readings, *probe_unit(unit_run.bench)))


def measure_firmware(
    firmware: Sequence[str],
    run_session: RunSession,
    *,
    serials: Sequence[str],
    repeats: int,
    settings: Settings,
    seed: int,
    now: str,
    jobs: int | None = None,
) -> list[list[Run]]:
    """Runs of each firmware on each unit, in the order given.

    Args:
        firmware: paths of ELF files; "" is the device model.
        run_session: runs the checks of one prepared unit; a function of a module, so that other processes find it.
        jobs: processes at once; None: as many as there are cores.

    Raises:
        UsageError: see `measure_once`.
        BenchError: see `measure_once`.
    """
    files = read_files(settings, today=now[:10])
    refuse_real_bench(files)
    tasks = [
        Task(firmware=one, serial=serial, repeat=repeat, settings=settings, seed=seed, now=now)
        for one in firmware
        for serial in serials
        for repeat in range(repeats)
    ]
    workers = min(len(tasks), jobs or os.cpu_count() or 1)
    sessions = [run_session] * len(tasks)
    if workers <= 1:
        runs = list(map(measure_once, tasks, sessions))
    else:
        try:
            with ProcessPoolExecutor(workers) as pool:
                runs = list(pool.map(measure_once, tasks, sessions))
        except BrokenProcessPool as broken:
            raise BenchError(
                "A process that ran the firmware ended by itself. Compare again, with --jobs 1."
            ) from broken
    each = len(serials) * repeats
    return [runs[place * each : (place + 1) * each] for place in range(len(firmware))]


def refuse_real_bench(files: Files) -> None:
    """ELF files are run on the simulated bench only.

    Raises:
        UsageError: the bench is a real one.
    """
    if not files.bench.simulated:
        raise UsageError(
            f"bench '{files.bench.bench}' is real: it cannot run ELF files side by side. Program and check units with "
            "each firmware and compare the recorded runs: hil compare version:A version:B."
        )


_MISSING_COMPILER = re.compile(r"(\S*gcc)\S*: (?:No such file|not found|command not found)")


def build_directory(folder: Path) -> Path | None:
    """Run make in a folder of sources and return its one ELF; None when it does not build.

    Raises:
        UsageError: no Makefile, or not exactly one ELF afterwards.
        BenchError: make or its compiler is missing: that says nothing about the sources.
    """
    import subprocess

    if not (folder / "Makefile").is_file():
        raise UsageError(f"{folder}: has no Makefile. Name an ELF file, or a folder where 'make' builds one.")
    try:
        done = subprocess.run(["make", "-s", "-C", str(folder)], capture_output=True, timeout=300, check=False)
    except OSError as error:
        raise BenchError(f"{folder}: 'make' cannot be run ({error.strerror}). apt-get install make") from error
    except subprocess.TimeoutExpired:
        return None
    if done.returncode:
        missing = _MISSING_COMPILER.search(done.stderr.decode(errors="replace"))
        if missing:
            raise BenchError(
                f"{folder}: the compiler {missing[1]} is missing. Install it: apt-get install gcc-avr avr-libc"
            )
        return None
    built = sorted(folder.glob("*.elf"))
    if len(built) != 1:
        raise UsageError(f"{folder}: 'make' left {len(built)} ELF files there. Name the one that is meant.")
    return built[0]
