"""Record rework: what was done to a unit after its latest run."""

import secrets

from hil.core.ledger import Rework
from hil.errors import UsageError
from hil.store.sqlite_store import RecordStore


def record_rework(
    store: RecordStore, serial: str, *, action: str, target: str, note: str, operator: str, now: str
) -> Rework:
    """Write it to the ledger.

    Raises:
        UsageError: no action, or the record does not know the unit.
    """
    if not action.strip():
        raise UsageError("Say what was done: --action replaced, resoldered, cleaned …")
    runs = store.summaries(serial=serial)
    if not runs:
        raise UsageError(f"{serial}: is not in {store.database.where}. Rework follows a check; correct the number.")
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
