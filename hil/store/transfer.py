"""Bring records together: every run and entry once, whatever was merged before, nothing overwritten.

A run that both records have must be the same in both, or one must be an earlier state of the other (a bench was
copied while it measured); then the later state is kept. Anything else is a conflict, and nothing at all is merged.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from hil.core.ledger import ENTRIES, Document, Entry, Removal
from hil.core.records import Run
from hil.errors import UsageError
from hil.store.exchange import Item, RunWithFiles
from hil.store.sqlite_store import RecordStore


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """What a merge did.

    Args:
        added: runs that were new here.
        completed: runs whose later state was in the other record.
        known: runs that were here already.
        retired: runs that had been moved to an archive here, and stay there.
        entries: new entries of the ledger.
        shared_units: serial numbers with runs from before and new ones.
    """

    added: tuple[str, ...] = ()
    completed: tuple[str, ...] = ()
    known: tuple[str, ...] = ()
    retired: tuple[str, ...] = ()
    entries: int = 0
    shared_units: tuple[str, ...] = ()


def content(store: RecordStore) -> Iterator[Item]:
    """Everything in a record, one item after the other."""
    for one in store.summaries():
        yield RunWithFiles(run=store.run(one.run), files=store.files(one.run))
    yield from all_entries(store)


def all_entries(store: RecordStore) -> tuple[Entry, ...]:
    """The whole ledger."""
    return tuple(entry for kind in ENTRIES.values() for entry in store.entries(kind))


def merge(target: RecordStore, kind: str, items: Iterable[Item], *, label: str) -> Merged:
    """Bring the content of another record in, all of it or nothing.

    Args:
        kind: "real" or "simulated", as the other record says; "" when it holds no runs.
        items: its content.
        label: what the other record is called, for messages.

    Raises:
        UsageError: real and simulated, or the two contradict each other; nothing was merged.
    """
    here = target.kind()
    if here and kind and here != kind:
        raise UsageError(f"{label}: holds {kind} runs, and {target.database.where} holds {here} ones.")
    mine = {one.run: one.serial for one in target.summaries()}
    merging = _Merging(target, set(mine))
    units: set[str] = set()
    with target.batch():
        for item in items:
            if isinstance(item, RunWithFiles):
                merging.take_run(item)
                units.add(item.run.opened.serial)
            else:
                merging.take_entry(item)
        conflicts = merging.conflicts
        if conflicts:
            shown = ", ".join(conflicts[:5]) + (f" and {len(conflicts) - 5} more" if len(conflicts) > 5 else "")
            raise UsageError(f"{label}: contradicts {target.database.where} about {shown}. Nothing was merged.")
    shared = units & set(mine.values()) if merging.runs["added"] else set()
    return Merged(
        **{what: tuple(runs) for what, runs in merging.runs.items()},
        entries=merging.entries,
        shared_units=tuple(sorted(shared)),
    )


class _Merging:
    """The state of one merge."""

    def __init__(self, target: RecordStore, mine: set[str]) -> None:
        self.target, self.mine = target, mine
        self.removed = {one.run for one in target.entries(Removal)}
        self.ledger = {(one.KIND, one.uid): one for one in all_entries(target)}
        self.runs: dict[str, list[str]] = {"added": [], "completed": [], "known": [], "retired": []}
        self.entries = 0
        self.conflicts: list[str] = []

    def take_run(self, item: RunWithFiles) -> None:
        run, name = item.run, item.run.opened.run
        if name in self.removed:
            self.runs["retired"].append(name)
        elif name not in self.mine:
            self.target.open_run(run.opened)
            self._continue(item, done=0)
            self.mine.add(name)
            self.runs["added"].append(name)
        else:
            here = self.target.run(name)
            if _is_earlier(run, here):
                self.runs["known"].append(name)
            elif _is_earlier(here, run):
                self._continue(item, done=len(here.readings))
                self.runs["completed"].append(name)
            else:
                self.conflicts.append(f"run {name}")

    def _continue(self, item: RunWithFiles, *, done: int) -> None:
        self.target.append_all(item.run.opened.run, item.run.readings[done:])
        if item.run.closed is not None:
            self.target.close_run(item.run.closed)
        if item.files:
            self.target.add_files(item.run.opened.run, item.files)

    def take_entry(self, entry: Entry) -> None:
        here = self.ledger.get((entry.KIND, entry.uid))
        if here is None:
            self.target.add(entry)
            self.ledger[entry.KIND, entry.uid] = entry
            self.entries += 1
        elif not _is_same(here, entry):
            self.conflicts.append(f"{entry.KIND} {entry.uid}")


def _is_same(here: Entry, entry: Entry) -> bool:
    """A document that every bench writes for itself is the same when it says the same, whenever it was written."""
    if isinstance(here, Document) and isinstance(entry, Document):
        return (here.name, here.content) == (entry.name, entry.content)
    return here == entry


def _is_earlier(first: Run, second: Run) -> bool:
    """Whether the first is the second, or a state of it from before."""
    if first.opened != second.opened or first.readings != second.readings[: len(first.readings)]:
        return False
    if first.closed is not None:
        return first == second
    return True
