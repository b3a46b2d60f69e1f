"""What a limits file promises before anything is measured: the budget of each limit's reading, its ratio."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hil.app.budgets import circumstances_of, reading_budget
from hil.app.unit_run import Taken
from hil.core.budget import Budget
from hil.core.equipment import Kit
from hil.core.guard import acceptance_zone, uncertainty_ratio
from hil.core.limit import Limit
from hil.core.plan import PlannedRow
from hil.core.units import show
from hil.errors import FileError
from hil.files.bench import BenchFile


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
        value = limit.centre
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
