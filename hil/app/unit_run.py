"""One run of one unit, as the pytest plugin sees it: planned, begun, judged row by row, finished.

    planned   the checks were collected; nothing was touched        hil plan stops here
    begun     the bench is open, the run is in the store
    finished  outputs off, the run is closed
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from hil.app.open_bench import Bench
from hil.app.power import Power
from hil.app.recorder import Recorder
from hil.core.equipment import Kit
from hil.core.limit import Limit
from hil.core.plan import Plan, PlannedRow
from hil.core.records import Reading, RunClosed
from hil.errors import BenchError


class Live(Protocol):
    """Somebody who watches a run."""

    def planned(self, serial: str, plan: Plan) -> None: ...
    def measuring(self, row: PlannedRow) -> None: ...
    def judged(self, reading: Reading) -> None: ...
    def finished(self, closed: RunClosed) -> None: ...


class Unwatched:
    """Nobody watches."""

    def planned(self, serial: str, plan: Plan) -> None: ...
    def measuring(self, row: PlannedRow) -> None: ...
    def judged(self, reading: Reading) -> None: ...
    def finished(self, closed: RunClosed) -> None: ...


@dataclass(kw_only=True)
class UnitRun:
    """What the plugin works on.

    Args:
        rows: the limits to judge, resolved against the kit, in the order of the limits file.
        outside_scope: names of the limits that the scope leaves out.
        available_roles: roles the bench file offers.
        open: opens bench and record once the plan is known; None only plans.
        stop_at_first_fail: leave the rest out after the first failed reading (production).
    """

    serial: str
    scope: str
    rows: Sequence[Limit]
    outside_scope: tuple[str, ...]
    available_roles: frozenset[str]
    kit: Kit
    open: Callable[[Plan], tuple[Bench, Recorder]] | None = None
    live: Live = field(default_factory=Unwatched)
    stop_at_first_fail: bool = False
    order: tuple[str, ...] = ()  # row names in another order than the files give; empty: as they stand

    plan: Plan | None = field(default=None, init=False)
    trouble: BaseException | None = field(default=None, init=False)
    closed: RunClosed | None = field(default=None, init=False)
    _open: tuple[Bench, Power, Recorder] | None = field(default=None, init=False)
    _row_started_s: float = field(default=0.0, init=False)

    @property
    def bench(self) -> Bench:
        """The open bench.

        Raises:
            BenchError: the run has not begun.
        """
        return self._opened()[0]

    @property
    def power(self) -> Power:
        """The switch of the unit's power."""
        return self._opened()[1]

    @property
    def recorder(self) -> Recorder:
        """The recorder of the open run."""
        return self._opened()[2]

    @property
    def has_begun(self) -> bool:
        """Whether bench and record are open."""
        return self._open is not None

    def _opened(self) -> tuple[Bench, Power, Recorder]:
        if self._open is None:
            raise BenchError("The run has not begun. Start checks with 'hil check', not with pytest alone.")
        return self._open

    def begin(self) -> None:
        """Open bench and record; the first moment anything is touched."""
        if self.plan is None or self.open is None:
            raise BenchError("The run has no plan. Start checks with 'hil check', not with pytest alone.")
        bench, recorder = self.open(self.plan)
        self._open = (bench, Power(bench), recorder)
        self.live.planned(self.serial, self.plan)

    def begin_row(self) -> None:
        """A new row: its time and its raw data start here."""
        self._row_started_s = self.bench.clock.monotonic_s()
        self.bench.trace.drain()

    def row_seconds(self) -> float:
        """Time since the row began, s on the bench clock."""
        return self.bench.clock.monotonic_s() - self._row_started_s

    def finish(self) -> None:
        """Outputs off, unit released, run closed; on every way out of a run."""
        if self._open is None or self.closed is not None:
            return
        bench, _, recorder = self._open
        try:
            bench.make_safe()
        except BenchError as problem:
            self.trouble = self.trouble or problem
        self.closed = recorder.close(trouble=_words(self.trouble))
        self.live.finished(self.closed)


def _words(trouble: BaseException | None) -> str:
    if trouble is None:
        return ""
    if isinstance(trouble, KeyboardInterrupt):
        return "interrupted by the operator"
    return str(trouble) or type(trouble).__name__
