"""One run of one unit, as the pytest plugin sees it: planned, begun, judged row by row, finished.

planned   the checks were collected; nothing was touched        hil plan stops here
begun     the bench is open, the run is in the store
finished  outputs off, the run is closed
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from hil.app.open_bench import Bench
from hil.app.power import Power
from hil.app.recorder import MICROSECONDS, Recorder
from hil.core.budget import Budget
from hil.core.equipment import Kit, Part
from hil.core.judge import judge as preview
from hil.core.limit import Limit
from hil.core.plan import Plan, PlannedRow
from hil.core.records import Reading, RunClosed, Value, Verdict
from hil.errors import BenchError, HilError
from hil.real.trace import Exchange

PROBING = ("voltmeter", "counter", "generator")
FAR_OFF = 0.3  # a reading this far from its reference part, relatively, makes us ask whether the right part is fitted


class WrongPart(HilError):
    """The operator says that another part is fitted; the row is taken again with the right one."""


class NotFound(HilError):
    """What an earlier check finds for a later one is not there; the row is not measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """How a value was taken: what its budget needs besides limit and value.

    Args:
        repeats: the single readings whose mean the value is; empty for one reading.
        instruments: roles that were used.
        temperature_degc: at the jig, None when nobody measured it.
    """

    limit: Limit
    value: float
    part: Part | None
    repeats: tuple[float, ...] = ()
    instruments: tuple[str, ...] = ()
    hand_read: bool = False
    temperature_degc: float | None = None


BudgetFor = Callable[[Taken], Budget | None]


class Live(Protocol):
    """Somebody who watches a run."""

    def planned(self, serial: str, plan: Plan, *, simulated: bool) -> None: ...
    def measuring(self, row: PlannedRow) -> None: ...
    def judged(self, reading: Reading) -> None: ...
    def finished(self, closed: RunClosed) -> None: ...


class Unwatched:
    """Nobody watches."""

    def planned(self, serial: str, plan: Plan, *, simulated: bool) -> None: ...
    def measuring(self, row: PlannedRow) -> None: ...
    def judged(self, reading: Reading) -> None: ...
    def finished(self, closed: RunClosed) -> None: ...


@dataclass(kw_only=True)
class UnitRun:
    """What the plugin works on.

    Args:
        rows: the limits to judge, resolved against the kit, in the order of the limits file.
        only: patterns of row names: plan these and what they come after; "": all rows.
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
    only: str = ""
    open: Callable[[Plan], tuple[Bench, Recorder]] | None = None
    live: Live = field(default_factory=Unwatched)
    stop_at_first_fail: bool = False
    budget_for: BudgetFor | None = None
    image: str = ""  # firmware image for the programming command
    order: tuple[str, ...] = ()  # row names in another order than the files give; empty: as they stand

    plan: Plan | None = field(default=None, init=False)
    trouble: BaseException | None = field(default=None, init=False)
    closed: RunClosed | None = field(default=None, init=False)
    _open: tuple[Bench, Power, Recorder] | None = field(default=None, init=False)
    _row_started_s: float = field(default=0.0, init=False)
    _fitted: str | None = field(default=None, init=False)
    _instrument: str = field(default="probe", init=False)  # what the present row connects to test points
    _probed: tuple[str, str] | None = field(default=None, init=False)  # instrument and point, by hand
    _asked: set[str] = field(default_factory=set, init=False)
    _notes: list[str] = field(default_factory=list, init=False)
    state: dict[str, Any] = field(default_factory=dict, init=False)  # what earlier checks found and later ones need

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
        self.live.planned(self.serial, self.plan, simulated=recorder.opened.simulated)

    def begin_row(self, needs: Sequence[str] = ()) -> None:
        """A new row: its time and its raw data start here.

        Args:
            needs: roles of its check; the operator is told which instrument to connect.
        """
        self._instrument = next((need for need in needs if need in PROBING), "probe")
        self._row_started_s = self.bench.clock.monotonic_s()
        self.bench.trace.drain()

    def row_seconds(self) -> float:
        """Time since the row began, s on the bench clock."""
        return round(self.bench.clock.monotonic_s() - self._row_started_s, MICROSECONDS)

    def fit(self, part: str | None) -> None:
        """Connect a reference part to the terminals; the operator fits it where no selector does, once.

        Raises:
            BenchError: the part is not in the kit, or nobody can fit it.
        """
        name = part or "open"
        if name not in self.kit:
            raise BenchError(f"{name}: not in the kit {self.kit.file}. Add [part.{name}] or change the limits file.")
        if name == self._fitted:
            return
        if self.bench.selector is not None:
            self.bench.selector.fit(name)
        else:
            self.bench.operator.fit(name, self.kit[name].description or name)
        self._fitted = name

    def probe(self, point: str) -> None:
        """Connect voltmeter, counter or generator to a test point, or across two ("TP_5V:GND"); "GND": to none.

        Without a selector the operator is asked, once for each change.
        """
        if self.bench.selector is not None:
            self.bench.selector.probe(point)
        elif (self._instrument, point) != self._probed:
            self.bench.operator.probe(point, self._instrument)
            self._probed = self._instrument, point

    def judge(
        self,
        limit: Limit,
        value: Value,
        *,
        repeats: tuple[float, ...],
        raw: tuple[Any, ...],
        notes: tuple[str, ...],
        again: Callable[[], float] | None = None,
    ) -> Reading:
        """Judge a value with its budget and record it with everything it rests on.

        Args:
            again: takes one more reading. A rule with `repeats` has that many readings averaged, the first among
                them, when the first is undecided: one stage, of a number fixed beforehand.

        Raises:
            WrongPart: the operator says that another part is fitted (asked once per row, without a selector).
        """
        bench, recorder = self.bench, self.recorder
        part = self.kit[limit.part] if limit.part is not None else None
        exchanges = bench.trace.drain()
        self._ask_about_part(limit, value, part)
        budget = self._budget(limit, value, part, repeats, exchanges)
        if again is not None and limit.rule.repeats > 1 and isinstance(value, float):
            first = preview(
                limit,
                value,
                expanded_uncertainty=budget.expanded_uncertainty if budget else None,
                coverage_factor=budget.coverage_factor if budget else 2.0,
            )
            if first.verdict is Verdict.UNDECIDED:
                repeats = (value, *(again() for _ in range(limit.rule.repeats - 1)))
                notes = (*notes, f"undecided at first ({first.reason}); mean of {len(repeats)} readings judged")
                value = math.fsum(repeats) / len(repeats)
                exchanges += bench.trace.drain()
                budget = self._budget(limit, value, part, repeats, exchanges)
        said, self._notes = tuple(self._notes), []
        return recorder.judge(
            limit,
            value,
            budget=budget,
            seconds=self.row_seconds(),
            raw=raw or tuple(str(exchange) for exchange in exchanges),
            instruments=_roles(exchanges),
            parts=(part.name,) if part is not None else (),
            hand_read=any(exchange.hand_read for exchange in exchanges),
            notes=notes + said,
        )

    def _budget(
        self,
        limit: Limit,
        value: Value,
        part: Part | None,
        repeats: tuple[float, ...],
        exchanges: tuple[Exchange, ...],
    ) -> Budget | None:
        if self.budget_for is None or not limit.is_numeric or not isinstance(value, float) or not math.isfinite(value):
            return None
        temperature = self.recorder.facts.get("temperature_degc")
        return self.budget_for(
            Taken(
                limit=limit,
                value=value,
                part=part,
                repeats=repeats,
                instruments=_roles(exchanges),
                hand_read=any(exchange.hand_read for exchange in exchanges),
                temperature_degc=float(temperature) if temperature is not None else None,
            )
        )

    def _ask_about_part(self, limit: Limit, value: Value, part: Part | None) -> None:
        if part is None or part.present is None or self.bench.selector is not None or limit.name in self._asked:
            return
        if not isinstance(value, float) or limit.lower is None or limit.upper is None:
            return
        # A reading of the part is as large as the part; any other with a part is a ratio, or a ratio away from it.
        middle = (limit.lower + limit.upper) / 2
        far = FAR_OFF * abs(part.value if limit.unit == part.unit else 1.0)
        if limit.lower <= value <= limit.upper or abs(value - middle) <= far:
            return
        self._asked.add(limit.name)
        if self.bench.operator.confirm(
            f"The reading is far from what it should be with {part.name} ({part.description}). Is that part fitted?"
        ):
            self._notes.append(f"operator confirmed that {part.name} was fitted")
            return
        self._notes.append(f"operator found another part instead of {part.name}; fitted and read again")
        self._fitted = None
        raise WrongPart(f"{limit.name}: another part was fitted")

    def finish(self) -> None:
        """Outputs off, unit released, run closed; on every way out of a run."""
        if self._open is None or self.closed is not None:
            return
        bench, _, recorder = self._open
        try:
            bench.make_safe()
        except BenchError as problem:  # somebody may touch the unit next: this is said whatever else went wrong
            if isinstance(self.trouble, KeyboardInterrupt):
                self.trouble = KeyboardInterrupt(str(problem))
            else:
                said = str(self.trouble or "")
                self.trouble = BenchError(f"{problem} {said}") if said not in str(problem) else problem
        except KeyboardInterrupt as again:  # pressed a second time; everything is off by now
            self.trouble = self.trouble or again
        self.closed = recorder.close(trouble=_words(self.trouble))
        self.live.finished(self.closed)


def _roles(exchanges: tuple[Exchange, ...]) -> tuple[str, ...]:
    return tuple(sorted({exchange.role for exchange in exchanges}))


def _words(trouble: BaseException | None) -> str:
    if trouble is None:
        return ""
    if isinstance(trouble, KeyboardInterrupt):
        return f"interrupted by the operator. {trouble}".removesuffix(". ")
    return str(trouble) or type(trouble).__name__
