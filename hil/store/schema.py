"""Values <-> rows: which fields have columns of their own, and how the rest becomes JSON.

What is searched or plotted is a column; what only a reader of one run wants (raw answers, budget rows, notes) is
JSON in ``more``, without the fields that have their default. The tables themselves are in `migrations`.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import MISSING, asdict, fields
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from hil.core.ledger import ENTRIES, Entry, ReadinessValue
from hil.core.records import (
    BudgetRow,
    InstrumentUsed,
    PartUsed,
    Reading,
    RunClosed,
    RunOpened,
    RunSummary,
    Statement,
    UnitVerdict,
    Value,
    Verdict,
)
from hil.store.database import Row

RUN_COLUMNS = (
    "run", "serial", "board", "attempt", "scope", "only", "lot", "operator", "bench", "simulated", "opened",
    "limits_revision", "limits_sha256", "suite_version",
)  # fmt: skip
RUN_SQL = ", ".join({"only": "only_rows"}.get(name, name) for name in RUN_COLUMNS)
DEFINITION_SQL = "name, title, unit, check_node, check_group, rule"
READING_SQL = (
    "verdict, value, value_json, lower_limit, upper_limit, accept_lower, accept_upper, nominal, "
    "expanded_uncertainty, seconds"
)
VERDICT_CODES = tuple(Verdict)
_READING_COLUMNS = {
    "name", "title", "unit", "check", "group", "rule", "verdict", "value", "lower", "upper", "accept_lower",
    "accept_upper", "nominal", "expanded_uncertainty", "seconds",
}  # fmt: skip
_READING_REST = {field.name: field.default for field in fields(Reading) if field.name not in _READING_COLUMNS}
_JSON = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False, default=str)
_BUDGET_FIELDS = tuple(field.name for field in fields(BudgetRow))


def epoch_s(time: str) -> float:
    """Seconds since 1970 UTC of an ISO 8601 time; a time without a zone is taken as UTC.

    Raises:
        ValueError: not such a time.
    """
    moment = datetime.fromisoformat(time)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def to_json(value: Any) -> str:
    """JSON that any reader takes: numbers that JSON does not know become texts."""
    try:
        return _JSON.encode(value)
    except ValueError:
        return _JSON.encode(_finite(value))


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    return [_finite(one) for one in value] if isinstance(value, (list, tuple)) else value


# Openings and closings
def opened_row(opened: RunOpened) -> list[Any]:
    """Values for `RUN_SQL`, opened_at, more."""
    values = asdict(opened)
    for equipment in ("instruments", "parts"):
        del values[equipment]
    row = [values.pop(name) for name in RUN_COLUMNS]
    row[RUN_COLUMNS.index("simulated")] = int(opened.simulated)
    return [*row, epoch_s(opened.opened), to_json(values)]


def opened_value(row: Row, equipment: list[Row]) -> RunOpened:
    """The opening again, from `RUN_SQL`, more, and rows (kind, more) of its equipment."""
    rest = json.loads(row[len(RUN_COLUMNS)])
    for name in ("planned", "outside_scope", "faults"):
        rest[name] = tuple(rest[name])
    for name in ("settings", "facts"):
        rest[name] = tuple(tuple(pair) for pair in rest.get(name, ()))
    found = dict(zip(RUN_COLUMNS, row, strict=False)) | rest
    found["simulated"] = bool(found["simulated"])
    return RunOpened(
        **found,
        instruments=tuple(InstrumentUsed(**json.loads(more)) for kind, more in equipment if kind == "instrument"),
        parts=tuple(PartUsed(**json.loads(more)) for kind, more in equipment if kind == "part"),
    )


def equipment_rows(opened: RunOpened) -> list[list[Any]]:
    """Rows (position, kind, name, identity, certificate, due, used, more)."""
    rows: list[list[Any]] = []
    for instrument in opened.instruments:
        known = (instrument.role, instrument.identity, instrument.certificate, instrument.due)
        rows.append([len(rows), "instrument", *known, 0, to_json(asdict(instrument))])
    for part in opened.parts:
        rows.append([len(rows), "part", part.name, "", part.certificate, part.due, 0, to_json(asdict(part))])
    return rows


def closed_row(closed: RunClosed) -> list[Any]:
    """Values (verdict, reason, closed, planned, judged, actual_seconds, more)."""
    more = to_json({"facts": closed.facts, "files": closed.files})
    known = (closed.verdict.value, closed.reason, closed.closed, closed.planned, closed.judged, closed.actual_seconds)
    return [*known, more]


def closed_value(run: str, row: Row) -> RunClosed:
    """The closing again."""
    more = json.loads(row[6])
    return RunClosed(
        run=run,
        verdict=UnitVerdict(row[0]),
        reason=row[1],
        closed=row[2],
        planned=row[3],
        judged=row[4],
        actual_seconds=row[5],
        facts=tuple((name, value) for name, value in more["facts"]),
        files=tuple(more["files"]),
    )


@lru_cache(maxsize=256)
def _opening(more: str) -> Mapping[str, Any]:
    """The rest of an opening; units of one call mostly share it."""
    opening: dict[str, Any] = json.loads(more)
    return opening


def summary_value(row: Row) -> RunSummary:
    """From run_no, `RUN_SQL`, opened_at, runs.more, then the closing's columns or NULLs."""
    known = dict(zip(RUN_COLUMNS, row[1:], strict=False))
    known["simulated"] = bool(known["simulated"])
    opened_at, more, *closing = row[1 + len(RUN_COLUMNS) :]
    opening = _opening(more)
    is_closed = closing[0] is not None
    return RunSummary(
        run_no=row[0],
        **known,
        opened_at=opened_at,
        planned_seconds=opening["planned_seconds"],
        is_closed=is_closed,
        verdict=UnitVerdict(closing[0]) if is_closed else UnitVerdict.INCOMPLETE,
        reason=closing[1] if is_closed else "interrupted: the run was never closed",
        planned=closing[3] if is_closed else len(opening["planned"]),
        judged=closing[4] if is_closed else 0,
        actual_seconds=closing[5] if is_closed else 0.0,
        facts=tuple(
            (name, value) for name, value in (json.loads(closing[6]) if is_closed else opening).get("facts", ())
        ),
        readiness=opening.get("readiness", ""),
    )


# Readings
def definition_key(reading: Reading) -> tuple[str, ...]:
    """What readings of many runs have in common: `DEFINITION_SQL`."""
    return (reading.name, reading.title, reading.unit, reading.check, reading.group, reading.rule)


def reading_row(reading: Reading) -> list[Any]:
    """Values for `READING_SQL`."""
    value, value_json = _split(reading.value)
    limits = (reading.lower, reading.upper, reading.accept_lower, reading.accept_upper)
    return [reading.verdict.value, value, value_json, *limits, reading.nominal, reading.expanded_uncertainty,
            reading.seconds]  # fmt: skip


def _split(value: Value) -> tuple[float | None, str | None]:
    if value is None or isinstance(value, (bool, str)):
        return None, None if value is None else json.dumps(value, ensure_ascii=False)
    return (float(value), None) if math.isfinite(value) else (None, json.dumps(str(value)))


def reading_more(reading: Reading) -> str:
    """The rest of a reading."""
    more: dict[str, Any] = {}
    for name, default in _READING_REST.items():
        value = getattr(reading, name)
        if default is MISSING or value != default:
            more[name] = value
    if reading.budget:
        more["budget"] = [[getattr(row, name) for name in _BUDGET_FIELDS] for row in reading.budget]
    return to_json(more)


def reading_value(row: Row) -> Reading:
    """The reading again, from `DEFINITION_SQL`, `READING_SQL`, more."""
    name, title, unit, check, group, rule, verdict, value, value_json, *numbers, more = row
    lower, upper, accept_lower, accept_upper, nominal, expanded_uncertainty, seconds = numbers
    rest = json.loads(more)
    for listed in ("instruments", "parts", "notes", "raw"):
        if listed in rest:
            rest[listed] = tuple(rest[listed])
    if "budget" in rest:
        rest["budget"] = tuple(BudgetRow(**dict(zip(_BUDGET_FIELDS, one, strict=True))) for one in rest["budget"])
    if "statement" in rest:
        rest["statement"] = Statement(rest["statement"])
    return Reading(
        name=name, title=title, unit=unit, check=check, group=group, rule=rule, verdict=Verdict(verdict),
        value=json.loads(value_json) if value_json is not None else value, lower=lower, upper=upper,
        accept_lower=accept_lower, accept_upper=accept_upper, nominal=nominal,
        expanded_uncertainty=expanded_uncertainty, seconds=seconds, **rest,
    )  # fmt: skip


# The ledger
def entry_row(entry: Entry) -> list[Any]:
    """Values (uid, kind, subject, time, time_at, author, more)."""
    values = asdict(entry)
    known = [values.pop(name) for name in ("uid", "time", "author")]
    return [known[0], entry.KIND, entry.subject, known[1], epoch_s(entry.time), known[2], to_json(values)]


def entry_value(kind: str, uid: str, time: str, author: str, more: str) -> Entry:
    """The entry again."""
    values = {name: tuples(value) for name, value in json.loads(more).items()}
    if kind == "readiness":
        values["values"] = tuple(ReadinessValue(**one) for one in values["values"])
    return ENTRIES[kind](uid=uid, time=time, author=author, **values)


def tuples(value: Any) -> Any:
    """Lists as tuples, all the way down."""
    return tuple(tuples(one) for one in value) if isinstance(value, list) else value


def reason_in(more: str) -> str:
    """The reason in the rest of a reading."""
    return str(json.loads(more).get("reason", ""))
