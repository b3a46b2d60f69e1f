"""Work on all processors whose results come one by one, as they are made.

    with in_processes(work, batches, jobs=2) as results:      # work(batch) is a generator
        for result in results: ...

Started anew and not forked: an opened bench or database does not survive being copied. What a batch yields arrives at
once, so that nothing is lost when somebody interrupts; an exception in a process arrives as itself.
"""

import multiprocessing
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from multiprocessing import resource_tracker
from queue import Empty
from typing import TypeVar

from hil.errors import BenchError

Batch = TypeVar("Batch")
Result = TypeVar("Result")
_LOOK_EVERY_S = 5.0  # whether a process has died without a word


@contextmanager
def interrupts_held_back() -> Iterator[None]:
    """Ctrl-C waits for the end of the block, and never reaches a process that is started in it.

    A terminal sends it to all processes of a program. It is for the one that the operator looks at, which ends the
    others when it wants to; another one would die of it, already while it loads what it needs.
    """
    resource_tracker.ensure_running()  # first: when Python starts its own helper, it lets Ctrl-C through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def in_processes(
    work: Callable[[Batch], Iterable[Result]], batches: Sequence[Batch], *, jobs: int
) -> Iterator[Iterator[Result]]:
    """Results of all batches in the order in which they are made; with one job, in this process.

    Args:
        work: importable by name, as every batch and result can be pickled.

    Raises:
        BenchError: a process died.
    """
    if jobs <= 1 or len(batches) <= 1:
        yield (result for batch in batches for result in work(batch))
        return
    context = multiprocessing.get_context("spawn")
    todo, done = context.Queue(), context.Queue()
    for batch in batches:
        todo.put(batch)
    for _ in range(jobs):
        todo.put(None)
    processes = [context.Process(target=_work, args=(work, todo, done), daemon=True) for _ in range(jobs)]
    with interrupts_held_back():
        for process in processes:
            process.start()
    try:
        yield _arriving(done, processes)
    finally:
        for process in processes:
            process.terminate()
        for process in processes:
            process.join()


def _work(
    work: Callable[[object], Iterable[object]],
    todo: "multiprocessing.Queue[object]",
    done: "multiprocessing.Queue[tuple[str, object]]",
) -> None:
    try:
        while (batch := todo.get()) is not None:
            for result in work(batch):
                done.put(("result", result))
                if not _parent_lives():  # killed without a chance to end this one
                    return
    except KeyboardInterrupt:  # the parent ends this one; the bench it had open takes that for a Ctrl-C
        return
    except Exception as problem:
        done.put(("problem", problem))
    else:
        done.put(("end", None))


def _parent_lives() -> bool:
    parent = multiprocessing.parent_process()
    return parent is None or parent.is_alive()


def _arriving(
    done: "multiprocessing.Queue[tuple[str, Result]]", processes: Sequence[multiprocessing.process.BaseProcess]
) -> Iterator[Result]:
    running = len(processes)
    while running:
        try:
            kind, what = done.get(timeout=_LOOK_EVERY_S)
        except Empty:
            dead = [process for process in processes if process.exitcode not in (None, 0)]
            if dead:
                code = dead[0].exitcode
                raise BenchError(f"a process ended (exit code {code}). Start again; what was done is kept.") from None
            continue
        if kind == "result":
            yield what
        elif kind == "problem":
            assert isinstance(what, BaseException)
            raise what
        else:
            running -= 1
