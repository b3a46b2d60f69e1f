"""Two boards with one serial number: what the record can know about it.

A blank unit that is to get a number which another unit already has is found before the number is written
(`given_before`). A unit that answers with a number but is physically another board is found by its tank: L1 and C1
differ by a few per cent from board to board, and by far less than `SAME_BOARD` from one check of a board to the next.
Two boards drawn at random (10 % and 5 % as three sigma) agree in both within 1 % in about 5 of 100 cases, so this
finds most, not all.
"""

from hil.core.ledger import Rework
from hil.core.records import Run, RunSummary, Verdict
from hil.store.schema import epoch_s
from hil.store.sqlite_store import RecordStore

SERIAL_ROW = "serial_number"
TANK_ROWS = ("c1", "l1")
SAME_BOARD = 0.01  # relative; from memory of LC tanks: temperature and solder joints move them by less


def given_before(store: RecordStore, serial: str, *, processor: str = "U3") -> str:
    """Why a blank unit must not get this number: who has it. Empty when nobody has it.

    A processor that was replaced since, and was recorded as rework, makes the unit blank for a good reason.
    """
    holder: Run | None = None
    for run in store.runs(serial=serial):
        if any(one.name == SERIAL_ROW and one.verdict is Verdict.PASS for one in run.readings):
            holder = run
    if holder is None:
        return ""
    since = epoch_s(holder.opened.opened)
    reworked = store.entries(Rework, subject=serial)
    if any(one.target == processor and epoch_s(one.time) > since for one in reworked):
        return ""
    return (
        f"{serial}: a unit has had this serial number since {holder.opened.opened[:10]} (run {holder.opened.run}), and "
        f"the unit in the jig is blank. Give it a number of its own; if its processor was replaced, record the rework "
        f"of {processor} first."
    )


def other_board(store: RecordStore, run: Run) -> tuple[str, ...]:
    """Signs that the unit of a run is not the board that had its serial number before; one sentence each."""
    before_this: list[RunSummary] = []
    for one in store.summaries(serial=run.opened.serial):
        if one.run == run.opened.run:
            break
        before_this.append(one)
    if not before_this:
        return ()
    # Rework and studies may leave the tank out: the latest run that has read it tells.
    known = ((one, _values(store.run(one.run))) for one in reversed(before_this))
    earlier, before = next(((one, values) for one, values in known if values), (before_this[-1], {}))
    signs = []
    if earlier.board != run.opened.board:
        signs.append(f"was recorded as {earlier.board} (run {earlier.run}), and is {run.opened.board} now")
    since = earlier.opened_at
    if any(epoch_s(one.time) >= since for one in store.entries(Rework, subject=run.opened.serial)):
        return tuple(signs)  # components may have been replaced
    for name, value in _values(run).items():
        if name in before and abs(value / before[name] - 1) > SAME_BOARD:
            change = 100 * (value / before[name] - 1)
            signs.append(
                f"{name} differs by {change:+.1f} % from run {earlier.run}: is it the same board? If a component was "
                "replaced, record the rework"
            )
    return tuple(signs)


def _values(run: Run) -> dict[str, float]:
    return {
        one.name: one.value
        for one in run.readings
        if one.name in TANK_ROWS and isinstance(one.value, float) and one.value != 0
    }
