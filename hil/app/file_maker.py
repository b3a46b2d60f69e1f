"""The files of closed runs, made in a process of its own while the next unit is measured.

A page to typeset, a report and four more files take as long as the readings of a simulated unit. The process reads the
run from the record, so the files are those that `hil certify` would make of it. It is started anew and not forked (the
typesetter's threads would not survive that), once for all calls in one program. Ctrl-C is for the bench, which then
waits for the files.
"""

import atexit
import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import cache
from multiprocessing import get_context, parent_process
from pathlib import Path

from hil.app.check_unit import Made
from hil.app.processes import interrupts_held_back
from hil.core.records import Run
from hil.errors import BenchError
from hil.store.sqlite_store import RecordStore, SqliteStore

Make = Callable[[Run, RecordStore, Path, str], Sequence[Path]]  # run, record, folder, time: makes the files


def files_apart(where: str, run: str, folder: Path, now: str, make: Make, *, simulated: bool) -> Made:
    """Have the files of a closed run made; the answer waits for them.

    Args:
        where: the record.
        make: a function of a module, so that the other process finds it.
    """
    made: Future[Sequence[Path]] = Future()
    try:
        with interrupts_held_back():
            made = _process().submit(_make, os.getcwd(), where, simulated, run, folder, now, make)
    except BrokenProcessPool as problem:
        made.set_exception(problem)

    def files() -> Sequence[Path]:
        try:
            return made.result()
        except BrokenProcessPool:
            _process.cache_clear()
            raise BenchError(
                f"{folder}: the files were not made, as the process that makes them ended. The run itself is in the "
                f"record; make its certificate with 'hil certify {run}'."
            ) from None

    return files


def load_apart(load: Callable[[], None]) -> None:
    """Start the process, so that it has loaded what it needs by the time the first run is closed."""
    with interrupts_held_back():
        _process().submit(load)


@cache
def _process() -> ProcessPoolExecutor:
    pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_begin)
    atexit.register(pool.shutdown, cancel_futures=True)
    return pool


def _begin() -> None:
    threading.Thread(target=_end_with_the_bench, daemon=True).start()


def _end_with_the_bench() -> None:
    """A bench that is killed tells nobody; without this the process would wait for its next run for ever."""
    bench = parent_process()
    if bench is not None:
        bench.join()
        os._exit(1)


def _make(here: str, where: str, simulated: bool, run: str, folder: Path, now: str, make: Make) -> Sequence[Path]:
    os.chdir(here)
    with SqliteStore(where, simulated=simulated) as store:
        return make(store.run(run), store, folder, now)
