"""Risks of a limits file for a process, predicted and counted."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hil.app.expected import Expected
from hil.app.process_of_lot import process_text
from hil.app.records_at import existing_record
from hil.app.settings import Settings
from hil.core.best_case import TIMEBASE
from hil.core.limit import Limit
from hil.core.population import Agreement, Check, Counted, compare, predict, predict_unit, simulate
from hil.core.reading_budget import TERMINALS
from hil.core.records import BudgetRow
from hil.core.risk import GlobalRisk
from hil.errors import UsageError
from hil.files.process import ProcessFile, parse_process
from hil.store.sqlite_store import open_store

# Rows of a budget that the readings of one unit share.
COMMON = (
    "accuracy", "part: certificate", "part: drift", "jig: residual zero", "jig: leads and needles", TERMINALS, TIMEBASE,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRisk:
    """One check, or the whole unit: predicted and counted shares, and whether they agree."""

    name: str
    unit: str
    rule: str
    ratio: float | None
    predicted: GlobalRisk
    counted: Counted
    false_acceptance: Agreement
    false_rejection: Agreement

    @property
    def agrees(self) -> bool:
        return self.false_acceptance.agrees and self.false_rejection.agrees


@dataclass(frozen=True, slots=True, kw_only=True)
class Risks:
    """All checks of a limits file and the unit as a whole."""

    checks: tuple[CheckRisk, ...]
    whole: CheckRisk
    left_out: tuple[tuple[str, str], ...]
    units: int
    process: str
    confidence: float

    @property
    def agrees(self) -> bool:
        """Whether every prediction lies in the exact interval of its count, simultaneously."""
        return all(entry.agrees for entry in (*self.checks, self.whole))


def risks_of(
    rows: Sequence[Expected], process: ProcessFile, *, units: int, seed: int, confidence: float = 0.99
) -> Risks:
    """Predict, simulate, compare.

    Raises:
        UsageError: no row is left to judge, or the process does not fit the limits.
    """
    checks, left_out = modelled(rows, process)
    if not checks:
        raise UsageError("no numeric row with two limits, or with a process of its own, is left to look at.")
    predicted = {check.limit.name: predict(check) for check in checks} | {"": predict_unit(checks)}
    each, whole = simulate(checks, units, seed=seed)
    counted = {check.limit.name: count for check, count in zip(checks, each, strict=True)} | {"": whole}
    agreements: dict[str, list[Agreement]] = {}
    for entry in compare(predicted, counted, confidence=confidence):
        agreements.setdefault(entry.name, []).append(entry)
    ratios = {row.limit.name: row.ratio for row in rows}

    def made(name: str, unit: str, rule: str) -> CheckRisk:
        return CheckRisk(
            name=name or "whole unit",
            unit=unit,
            rule=rule,
            ratio=ratios.get(name),
            predicted=predicted[name],
            counted=counted[name],
            false_acceptance=agreements[name][0],
            false_rejection=agreements[name][1],
        )

    return Risks(
        checks=tuple(made(check.limit.name, check.limit.unit, check.limit.rule.kind) for check in checks),
        whole=made("", "", ""),
        left_out=left_out,
        units=units,
        process=process.file,
        confidence=confidence,
    )


def lot_process(
    lot: str, settings: Settings, rows: Sequence[Expected], board: str, *, simulated: bool
) -> tuple[str, ProcessFile]:
    """The process that a recorded lot shows: as text of a process file, and read.

    Raises:
        UsageError: too few units of that lot are on record.
    """
    where = existing_record(settings, simulated=simulated)
    with open_store(where, read_only=True) as store:
        text = process_text(store.runs(lot=lot), rows, board=board, lot=lot)
    return text, parse_process(f"lot {lot}", text)


# The joint model of one unit


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
                left_out.append((row.limit.name, _why_unknown(row.limit)))
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


EXACT = "the reading is exact and its limits are the same"
ONE_LIMIT = "one limit only, and no process is given"


def _why_unknown(limit: Limit) -> str:
    """Why nothing can be assumed of the units behind a limit that the process file does not name."""
    return EXACT if limit.lower == limit.upper else ONE_LIMIT


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
    if entry.name in (TIMEBASE, TERMINALS):
        return entry.name  # one error of one unit, whatever rests on it
    if entry.name.endswith("accuracy"):
        return f"{entry.name}, {entry.unit or 'ratio'}"
    return f"{entry.name}, {entry.unit}"
