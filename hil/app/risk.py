"""Risks of a limits file for a process, predicted and counted."""

from collections.abc import Sequence
from dataclasses import dataclass

from hil.app.expected import Expected, modelled
from hil.app.process_of_lot import process_text
from hil.app.records_at import existing_record
from hil.app.settings import Settings
from hil.core.population import Agreement, Counted, compare, predict, predict_unit, simulate
from hil.core.risk import GlobalRisk
from hil.errors import UsageError
from hil.files.process import ProcessFile, parse_process
from hil.store.sqlite_store import open_store


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
    where = settings.records(simulated=True) if simulated else existing_record(settings)
    with open_store(where, read_only=True) as store:
        text = process_text(store.runs(lot=lot), rows, board=board, lot=lot)
    return text, parse_process(f"lot {lot}", text)
