"""What a limits file promises before anything is measured: the budget of each limit's reading, its ratio, its risks."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from hil.app.budgets import circumstances_of, reading_budget
from hil.app.unit_run import Taken
from hil.core.best_case import TIMEBASE
from hil.core.budget import Budget
from hil.core.equipment import Kit
from hil.core.guard import acceptance_zone, uncertainty_ratio
from hil.core.limit import Limit
from hil.core.plan import PlannedRow
from hil.core.population import Check
from hil.core.records import BudgetRow
from hil.core.units import show
from hil.errors import FileError
from hil.files.bench import BenchFile
from hil.files.process import ProcessFile, centre_of

COMMON = ("accuracy", "part: certificate", "part: drift", "jig: residual zero", "jig: leads and needles", TIMEBASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """A limit, and what its reading will be worth at the centre of the limit.

    Args:
        budget: of one reading; None: exact, or measured by nothing of stated accuracy.
        averaged: after the repeat stage of its rule; None: no such stage.
    """

    limit: Limit
    budget: Budget | None
    averaged: Budget | None = None

    @property
    def ratio(self) -> float | None:
        """Test uncertainty ratio; None for one-sided limits and without a budget."""
        if self.budget is None:
            return None
        return uncertainty_ratio(self.limit.lower, self.limit.upper, self.budget.expanded_uncertainty)

    @property
    def decides(self) -> bool:
        """Whether a reading can say anything: the tolerance is wider than its own coverage interval."""
        return self.ratio is None or self.ratio > 1

    def improvement(self, least: float) -> str:
        """What would have to become better for a ratio of that size, in words; "" when it is there."""
        if self.budget is None or self.ratio is None or self.ratio >= least:
            return ""
        wanted = self.budget.standard_uncertainty * self.ratio / least
        largest = max(self.budget.rows, key=lambda row: row.contribution)
        rest = math.sqrt(max(0.0, self.budget.standard_uncertainty**2 - largest.contribution**2))
        share = (largest.contribution / self.budget.standard_uncertainty) ** 2
        said = f"{largest.name} ({share:.0%} of the variance)"
        if rest >= wanted:
            return f"{said} alone is not enough"
        factor = largest.contribution / math.sqrt(wanted**2 - rest**2)
        averaged = f", or the mean of {max(2, math.ceil(round(factor**2, 1)))} readings" if largest.kind == "A" else ""
        return f"{said} {'slightly' if factor < 1.05 else f'{factor:.1f} times'} smaller{averaged}"


def expected_rows(
    rows: Sequence[Limit], bench: BenchFile, kit: Kit, planned: Sequence[PlannedRow], today: str
) -> tuple[Expected, ...]:
    """Numeric rows in the order of the plan, each with the budget of a reading at the centre of its limit.

    Args:
        rows: limits, resolved against the kit; others are left out.
    """
    limits = {row.name: row for row in rows if row.is_numeric}
    circumstances = circumstances_of(bench, today)
    found = []
    for row in planned:
        if row.name not in limits:
            continue
        limit = limits[row.name]
        value = centre_of(limit)
        taken = Taken(
            limit=limit,
            value=value,
            part=kit[limit.part] if limit.part is not None else None,
            instruments=row.needs,
            temperature_degc=None,
        )
        budget = reading_budget(taken, circumstances)
        repeats = limit.rule.repeats
        averaged = reading_budget(replace(taken, repeats=(value,) * repeats), circumstances) if repeats > 1 else None
        found.append(Expected(limit=limit, budget=budget, averaged=averaged))
    return tuple(found)


def weak_limits(rows: Sequence[Expected], least: float) -> tuple[Expected, ...]:
    """Limits whose test uncertainty ratio is below ``least``, the worst first."""
    found = [(row.ratio, row) for row in rows if row.ratio is not None and row.ratio < least]
    return tuple(row for _, row in sorted(found, key=lambda entry: entry[0]))


def refuse_empty_zones(
    rows: Sequence[Limit], bench: BenchFile, kit: Kit, planned: Sequence[PlannedRow], today: str
) -> None:
    """A limit whose guard bands leave nothing can accept nothing; said before anything is touched.

    Raises:
        FileError: naming the limit, its place and the remedy.
    """
    guarded = [row for row in rows if row.rule.kind != "simple"]
    for row in expected_rows(guarded, bench, kit, planned, today) if guarded else ():
        limit, budget = row.limit, row.budget
        if budget is None:
            continue
        zone = acceptance_zone(
            limit.lower, limit.upper, budget.expanded_uncertainty, limit.rule, coverage_factor=budget.coverage_factor
        )
        if zone.is_empty:
            help_ = row.improvement(limit.rule.r) or "a better measurement"
            words = (
                f"no acceptance zone is left: U = {show(budget.expanded_uncertainty, limit.unit, 2)} makes the guard "
            )
            words += f"bands wider than the tolerance. What would help: {help_}; or another rule or limit. "
            words += "'hil limits ratios' lists every such limit."
            place = limit.place
            raise FileError(place.file if place else "", place.line if place else None, f"limit.{limit.name}", words)


def modelled(rows: Sequence[Expected], process: ProcessFile) -> tuple[tuple[Check, ...], tuple[tuple[str, str], ...]]:
    """The joint model of a unit's checks, and the rows it leaves out with the reason.

    Raises:
        FileError: the process is given in a unit that is not the limit's, or shares more than there is.
    """
    checks, left_out = [], []
    for row in rows:
        try:
            found = process.of(row.limit)
            if found is None:
                left_out.append((row.limit.name, "no process is known for a limit like this"))
                continue
            checks.append(
                Check(
                    limit=row.limit,
                    process=found,
                    budget=row.budget,
                    averaged=row.averaged,
                    shared_process=process.shared_by(row.limit),
                    shared_errors=shared_errors(row) if row.budget else {},
                )
            )
        except ValueError as problem:
            raise process.refusal(row.limit, str(problem)) from None
    return tuple(checks), tuple(left_out)


def shared_errors(row: Expected) -> Mapping[str, float]:
    """What a reading's error shares with others of the same unit: instruments, reference parts, zero, timebase."""
    budget = row.budget
    if budget is None:
        return {}
    shared: dict[str, float] = {}
    for entry in budget.rows:
        if entry.kind == "B" and any(entry.name.endswith(name) for name in COMMON):
            name = _shared_name(entry, row.limit)
            sign = -1.0 if entry.sensitivity < 0 else 1.0
            shared[name] = math.copysign(math.hypot(shared.get(name, 0.0), entry.contribution), sign)
    type_b = math.sqrt(max(0.0, budget.standard_uncertainty**2 - budget.type_a_uncertainty**2))
    together = math.sqrt(math.fsum(part**2 for part in shared.values()))
    # Certificate and drift of a part are correlated, so that single rows may add up to more than there is.
    scale = min(1.0, type_b / together) if together else 1.0
    return {name: part * scale for name, part in shared.items()}


def _shared_name(entry: BudgetRow, limit: Limit) -> str:
    if entry.name.startswith("part: "):
        return f"part {limit.part}"
    if entry.name == TIMEBASE:
        return TIMEBASE  # one error of one unit, whatever rests on it
    if entry.name.endswith("accuracy"):
        return f"{entry.name}, {entry.unit or 'ratio'}"
    return f"{entry.name}, {entry.unit}"
