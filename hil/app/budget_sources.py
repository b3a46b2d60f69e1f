"""Budgets to look at: of rows that will be measured, of readings on record, of what one unit could do at best."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from hil.app.expected import Expected
from hil.core.best_case import Unit, capacitance_error, inductance_error
from hil.core.budget import Budget
from hil.core.equipment import MeterUncertainty
from hil.core.montecarlo import Comparison, hold_against_rows
from hil.core.records import BudgetRow, Reading, Run
from hil.errors import UsageError
from hil.store.sqlite_store import open_store

REQUIRED = ("f_open", "f_ccal", "ccal", "scale")
CERTIFICATE, DRIFT = "part: certificate", "part: drift"  # the only rows of a reading's budget that are correlated


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One budget with what is known about its reading, and whether Monte Carlo agrees with its interval."""

    name: str
    title: str
    unit: str
    value: float | None
    rows: tuple[BudgetRow, ...]
    standard_uncertainty: float
    effective_dof: float | None
    coverage_factor: float
    expanded_uncertainty: float
    ratio: float | None
    comparison: Comparison | None
    source: str
    notes: tuple[str, ...] = ()


def expected_budgets(rows: Sequence[Expected], pattern: str) -> tuple[Shown, ...]:
    """Budgets of readings at the centre of their limits.

    Raises:
        UsageError: no numeric row of that name has a budget.
    """
    found = tuple(
        _shown(row.limit.name, row.limit.title, row.budget, row.ratio, "a reading at the centre of its limit")
        for row in rows
        if row.budget is not None and fnmatchcase(row.limit.name, pattern)
    )
    if not found:
        raise UsageError(
            f"'{pattern}': no row of that name has a budget: it is a text, a whole number, or measured by nothing "
            "of stated accuracy. 'hil limits ratios' lists those that have one."
        )
    return found


def recorded(where: str, run: str, pattern: str) -> tuple[Shown, ...]:
    """Budgets of recorded readings.

    Raises:
        UsageError: no such run, or no reading of that name with a budget.
    """
    with open_store(where, read_only=True) as store:
        found = store.run(store.find_run(run))
    shown = tuple(
        _from_reading(reading, found)
        for reading in found.readings
        if fnmatchcase(reading.name, pattern) and reading.budget and reading.expanded_uncertainty
    )
    if not shown:
        raise UsageError(f"'{pattern}': no reading of run {found.opened.run} with that name has a budget.")
    return shown


def at_best(where: str, run: str, pattern: str, meter: MeterUncertainty) -> tuple[Shown, ...]:
    """What the unit of a recorded run could do at best at the reference values it was checked with.

    Args:
        meter: noise and timebase of the kind of meter, from the bench.

    Raises:
        UsageError: no such run, or it lacks what the prediction needs.
    """
    with open_store(where, read_only=True) as store:
        found = store.run(store.find_run(run))
    values = {one.name: one.value for one in found.readings if isinstance(one.value, float)}
    missing = [name for name in REQUIRED if name not in values]
    if missing:
        raise UsageError(f"run {found.opened.run} has no reading {missing[0]}. Choose a run of the full scope.")
    unit = Unit(
        bare_hz=values["f_open"],
        with_ccal_hz=values["f_ccal"],
        ccal_f=values["ccal"],
        u_ccal=_relative_u(found, "ccal.as_found"),
        scale=values["scale"],
        u_scale=_relative_u(found, "scale.as_found"),
        meter=meter,
    )
    shown = []
    for reading in found.readings:
        if reading.unit not in ("F", "H") or not reading.nominal or not fnmatchcase(reading.name, pattern):
            continue
        if not reading.name.startswith(("c_", "l_")):
            continue
        error = capacitance_error if reading.unit == "F" else inductance_error
        source = f"at best, from f1, f2, Ccal and scale of {found.opened.serial}"
        best = error(unit, reading.nominal, checked=True)
        shown.append(replace(_shown(reading.name, reading.title, best, None, source), comparison=None))
    if not shown:
        raise UsageError(f"'{pattern}': run {found.opened.run} has no reading of a capacitance or inductance so named.")
    return tuple(shown)


def _relative_u(run: Run, name: str) -> float:
    """Standard uncertainty of an adjusted constant: that of the error it was adjusted by."""
    for reading in run.readings:
        if reading.name == name and reading.expanded_uncertainty and reading.coverage_factor:
            return reading.expanded_uncertainty / reading.coverage_factor
    raise UsageError(f"run {run.opened.run} has no reading {name} with a budget. Choose a run that adjusted the unit.")


def _shown(name: str, title: str, budget: Budget, ratio: float | None, source: str) -> Shown:
    return Shown(
        name=name,
        title=title,
        unit=budget.unit,
        value=budget.value,
        rows=budget.rows,
        standard_uncertainty=budget.standard_uncertainty,
        effective_dof=budget.effective_dof,
        coverage_factor=budget.coverage_factor,
        expanded_uncertainty=budget.expanded_uncertainty,
        ratio=ratio,
        comparison=_compared(budget.rows, budget.standard_uncertainty, budget.expanded_uncertainty),
        source=source,
        notes=budget.notes,
    )


def _from_reading(reading: Reading, run: Run) -> Shown:
    expanded, k = reading.expanded_uncertainty or 0.0, reading.coverage_factor or 2.0
    two_sided = reading.lower is not None and reading.upper is not None and expanded > 0
    return Shown(
        name=reading.name,
        title=reading.title,
        unit=reading.unit,
        value=reading.value if isinstance(reading.value, float) else None,
        rows=reading.budget,
        standard_uncertainty=expanded / k,
        effective_dof=reading.effective_dof,
        coverage_factor=k,
        expanded_uncertainty=expanded,
        ratio=(reading.upper - reading.lower) / (2 * expanded) if two_sided else None,  # type: ignore[operator]
        comparison=_compared(reading.budget, expanded / k, expanded),
        source=f"{run.opened.serial}, run {run.opened.run}",
    )


def _compared(rows: Sequence[BudgetRow], u: float, expanded: float) -> Comparison | None:
    """Hold ±U against Monte Carlo; correlated rows are normal and count as one, whose part is what is left of u².

    None where even that does not add up to u.
    """
    pair = [row for row in rows if row.name in (CERTIFICATE, DRIFT)]
    rest = math.fsum(row.contribution**2 for row in rows if row not in pair)
    if len(pair) == 2 and u**2 > rest:
        together = math.sqrt(u**2 - rest)
        if together <= sum(row.contribution for row in pair) * (1 + 1e-6):
            rows = [replace(pair[0], contribution=together), *(row for row in rows if row not in pair)]
    total = math.sqrt(math.fsum(row.contribution**2 for row in rows))
    if not rows or u <= 0 or abs(total / u - 1) > 1e-3:
        return None
    return hold_against_rows(rows, expanded)
