"""The append-only recorder of one run: a reading is in the store before the next one is taken."""

from collections.abc import Callable, Mapping
from typing import Any

from hil.core.budget import Budget
from hil.core.judge import judge, judge_unit
from hil.core.limit import Limit
from hil.core.plan import WHATEVER, Plan, PlannedRow
from hil.core.records import Reading, RunClosed, RunOpened, UnitVerdict, Value, Verdict
from hil.ports import Clock, Store

MICROSECONDS = 6  # digits that a time in the record is kept to; floating point would add ten more


class Recorder:
    """Takes the readings of one opened run; each row of the plan is judged at most once.

    Args:
        opened: the opening, already in the store.
        on_reading: told of every reading after it is durable (the live view).
    """

    def __init__(
        self, store: Store, opened: RunOpened, plan: Plan, clock: Clock, on_reading: Callable[[Reading], None]
    ) -> None:
        self._store, self._clock, self._on_reading = store, clock, on_reading
        self._started_s = clock.monotonic_s()
        self._planned: Mapping[str, PlannedRow] = {row.name: row for row in plan.rows}
        self.opened = opened
        self.readings: dict[str, Reading] = {}
        self._blocking: list[Reading] = []  # failed or missing
        # Told beforehand, and found on the way: firmware version, image hash, temperature …
        self.facts: dict[str, str] = dict(opened.facts)

    def judge(
        self,
        limit: Limit,
        value: Value,
        *,
        budget: Budget | None = None,
        seconds: float = 0.0,
        raw: tuple[Any, ...] = (),
        instruments: tuple[str, ...] = (),
        parts: tuple[str, ...] = (),
        hand_read: bool = False,
        notes: tuple[str, ...] = (),
    ) -> Reading:
        """Judge a value against its limit and record it.

        Raises:
            RuntimeError: the row is not planned, or was judged already (a mistake in a check).
        """
        verdict = judge(
            limit,
            value,
            expanded_uncertainty=budget.expanded_uncertainty if budget else None,
            coverage_factor=budget.coverage_factor if budget else 2.0,
        )
        return self._record(
            limit,
            value=verdict.value,
            verdict=verdict.verdict,
            reason=verdict.reason,
            accept_lower=verdict.zone.lower,
            accept_upper=verdict.zone.upper,
            statement=verdict.statement,
            rule=limit.rule.kind,
            expanded_uncertainty=budget.expanded_uncertainty if budget else None,
            coverage_factor=budget.coverage_factor if budget else None,
            effective_dof=budget.effective_dof if budget else None,
            budget=budget.rows if budget else (),
            seconds=seconds,
            raw=raw,
            instruments=instruments,
            parts=parts,
            hand_read=hand_read,
            notes=notes,
        )

    def fail(self, limit: Limit, reason: str, *, seconds: float = 0.0, raw: tuple[Any, ...] = ()) -> Reading:
        """Record that the unit did not give this reading, which is a fault of the unit."""
        return self._record(limit, value=None, verdict=Verdict.FAIL, reason=reason, seconds=seconds, raw=raw)

    def not_measured(self, limit: Limit, reason: str, *, seconds: float = 0.0) -> Reading:
        """Record that a planned row was not measured, and why."""
        return self._record(limit, value=None, verdict=Verdict.NOT_MEASURED, reason=reason, seconds=seconds)

    def blocked_by(self, after: tuple[str, ...], matches: Callable[[Reading, str], bool]) -> Reading | None:
        """The first reading that failed or is missing among those that a check comes after."""
        words = [word for word in after if not word.startswith(WHATEVER)]
        return next((one for one in self._blocking if any(matches(one, word) for word in words)), None)

    def close(self, *, trouble: str = "", files: tuple[str, ...] = ()) -> RunClosed:
        """Close the run; its verdict follows from the readings alone, and trouble never lets it pass."""
        verdict, reason = judge_unit(tuple(self._planned), tuple(self.readings.values()), only=self.opened.only)
        if trouble:
            verdict = UnitVerdict.FAIL if verdict is UnitVerdict.FAIL else UnitVerdict.INCOMPLETE
            reason = trouble
        closed = RunClosed(
            run=self.opened.run,
            verdict=verdict,
            reason=reason,
            closed=self._clock.now(),
            planned=len(self._planned),
            judged=sum(reading.verdict is not Verdict.NOT_MEASURED for reading in self.readings.values()),
            facts=tuple(sorted(self.facts.items())),
            files=files,
            actual_seconds=round(self._clock.monotonic_s() - self._started_s, MICROSECONDS),
        )
        self._store.close_run(closed)
        return closed

    def _record(self, limit: Limit, **found: Any) -> Reading:
        planned = self._planned.get(limit.name)
        if planned is None:
            raise RuntimeError(f"{limit.name}: judged, but not in the plan")
        if limit.name in self.readings:
            raise RuntimeError(f"{limit.name}: judged twice; a check judges each row exactly once")
        reading = Reading(
            name=limit.name,
            title=limit.title,
            unit=limit.unit,
            check=planned.check,
            group=planned.group,
            lower=limit.lower,
            upper=limit.upper,
            expected=limit.expected,
            nominal=limit.nominal,
            simulated=self.opened.simulated,
            time=self._clock.now(),
            **found,
        )
        self._store.append(self.opened.run, reading)
        self.readings[limit.name] = reading
        if reading.verdict in (Verdict.FAIL, Verdict.NOT_MEASURED):
            self._blocking.append(reading)
        self._on_reading(reading)
        return reading
