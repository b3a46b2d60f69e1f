"""Record rework: what was done to a unit after its latest run."""

import secrets

from hil.app.fault_universe import netlist_of
from hil.core.ledger import Rework
from hil.errors import UsageError
from hil.files.located import did_you_mean
from hil.store.sqlite_store import RecordStore


def record_rework(
    store: RecordStore, serial: str, *, action: str, target: str, note: str, operator: str, now: str
) -> Rework:
    """Write it to the ledger.

    Raises:
        UsageError: no action, or the record does not know the unit, or its board no such component.
    """
    if not action.strip():
        raise UsageError("Say what was done: --action replaced, resoldered, cleaned …")
    runs = store.summaries(serial=serial)
    if not runs:
        raise UsageError(f"{serial}: is not in {store.database.where}. Rework follows a check; correct the number.")
    if target:
        _refuse_unknown(target, runs[-1].board)
    entry = Rework(
        uid=f"{serial}-{now[:19]}-{secrets.token_hex(3)}",
        time=now,
        author=operator,
        serial=serial,
        action=action,
        target=target,
        after_run=runs[-1].run,
        note=note,
    )
    store.add(entry)
    return entry


def _refuse_unknown(target: str, board: str) -> None:
    """A mistyped designator would teach the priors nothing, and nobody would notice."""
    parts = [part.designator for part in netlist_of(board).components]
    if target not in parts:
        raise UsageError(
            f"--target {target}: there is no such component on board {board}. {did_you_mean(target, parts)} "
            "One component a call; what is none goes into --note."
        )
