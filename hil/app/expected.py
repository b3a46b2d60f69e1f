"""What a limits file promises before anything is measured: the budget of each limit's reading, its ratio, its risks."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from hil.app.budgets import circumstances_of, reading_budget
from hil.app.check_unit import Files
from hil.app.unit_run import Taken
from hil.core.budget import Budget
from hil.core.guard import acceptance_zone, uncertainty_ratio
from hil.core.limit import Limit
from hil.core.plan import PlannedRow
from hil.core.population import Check
from hil.core.records import BudgetRow
from hil.errors import UsageError
from hil.files.process import ProcessFile, centre_of

COMMON = ("accuracy", "part: certificate", "part: drift", "jig: residual zero", "meter: timebase")


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

    def improvement(self, least: float) -> str:
        """What would have to become better for a ratio of that size, in words; "" when it is there."""
        if self.budget is None or self.ratio is None or self.ratio >= least:
            return ""
        wanted = self.budget.standard_uncertainty * self.ratio / least
        largest = max(self.budget.rows, key=lambda row: row.contribution)
        rest = math.sqrt(max(0.0, self.budget.standard_uncertainty**2 - largest.contribution**2))
        share = (largest.contribution / self.budget.standard_uncertainty) ** 2
        if rest < wanted:
            factor = largest.contribution / math.sqrt(wanted**2 - rest**2)
            return f"{largest.name} ({share:.0%} of the variance) {factor:.1f} times smaller"
        return f"{largest.name} ({share:.0%} of the variance) alone is not enough; or a wider tolerance"


def expected_rows(files: Files, planned: Sequence[PlannedRow], today: str) -> tuple[Expected, ...]:
    """Numeric rows in the order of the plan, each with the budget of a reading at the centre of its limit."""
    limits = {row.name: row for row in files.rows}
    circumstances = circumstances_of(files.bench, today)
    found = []
    for row in planned:
        limit = limits[row.name]
        if not limit.is_numeric:
            continue
        value = centre_of(limit)
        taken = Taken(
            limit=limit,
            value=value,
            part=files.kit[limit.part] if limit.part is not None else None,
            instruments=row.needs,
            temperature_degc=None,
        )
        budget = reading_budget(taken, circumstances)
        repeats = limit.rule.repeats
        averaged = reading_budget(replace(taken, repeats=(value,) * repeats), circumstances) if repeats > 1 else None
        found.append(Expected(limit=limit, budget=budget, averaged=averaged))
    return tuple(found)


def refuse_empty_zones(rows: Sequence[Expected]) -> None:
    """A limit whose guard bands leave nothing can accept nothing.

    Raises:
        UsageError: naming the limit, its place and the remedy.
    """
    for row in rows:
        limit, budget = row.limit, row.budget
        if budget is None or limit.rule.kind == "simple":
            continue
        zone = acceptance_zone(
            limit.lower, limit.upper, budget.expanded_uncertainty, limit.rule, coverage_factor=budget.coverage_factor
        )
        if zone.is_empty:
            raise UsageError(
                f"{limit.place}: limit.{limit.name}: no acceptance zone is left: U = {budget.expanded_uncertainty:.3g} "
                f"{limit.unit} makes the guard bands wider than the tolerance. Measure better, or change rule or limit."
            )


def modelled(rows: Sequence[Expected], process: ProcessFile) -> tuple[tuple[Check, ...], tuple[tuple[str, str], ...]]:
    """The joint model of a unit's checks, and the rows it leaves out with the reason.

    Raises:
        UsageError: the process is given in a unit that is not the limit's, or shares more than there is.
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
            raise UsageError(f"{process.file}: {problem}. Correct the process file.") from None
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
    if entry.name.endswith("accuracy"):
        return f"{entry.name}, {entry.unit or 'ratio'}"
    return f"{entry.name}, {entry.unit}"
