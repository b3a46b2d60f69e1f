"""Limits files: text -> `hil.core.limit.Limits`.

format = 1
board = "qm2"                    # board kind
revision = "A"                   # changes with every released change
attempts = 3                     # runs of the full scope that one unit may have
[scopes]                         # name = what it covers, in words
full = "every check"             # or { title = "with programming", includes = ["full"] }: all rows of full, and more
[rule]                           # optional: the decision rule of every limit without its own
kind = "simple"
[limit.rail_5v_nominal]          # the name of the reading; quoted when it has a dot: [limit."ccal.as_found"]
title = "5 V rail at nominal pack"
unit = "V"
nominal = "5.00 V"               # with tolerance = "2 %" or "1.0 % + 0.3 pF" (ratio of |nominal|, plus a constant)
tolerance = "2 %"                # or lower = "4.9 V", upper = "5.1 V", or only one of them; or expected = true
scopes = ["full"]                # which scopes measure it; default ["full"]
at = { pack = "7.4 V" }          # conditions for the check: values with units become numbers, other texts stay
part = "c_100p"                  # reference part at the terminals; without nominal its value today is the nominal
reason = "specification: rails ±2 %"
rule = { kind = "guard_band", r = 1.0, binary = false, repeats = 4 }
margin = "0.05 %"                # how far a firmware change may move it; a text for the comparison
"""

import hashlib
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from hil.core.equipment import Certificate, Kit, Part
from hil.core.limit import RULE_KINDS, SIMPLE, Limit, Limits, Place, Rule, Tolerance
from hil.core.reading_budget import reading_frequency_hz
from hil.core.records import Value
from hil.core.units import UNITS, parse_quantity, show
from hil.errors import FileError
from hil.files.located import Table, did_you_mean, parse_document

KEYS = ("format", "board", "revision", "attempts", "scopes", "rule", "limit")
LIMIT_KEYS = (
    "title", "unit", "nominal", "tolerance", "lower", "upper", "expected", "scopes", "at", "part", "reason", "rule",
    "margin",
)  # fmt: skip
SCOPE_KEYS = ("title", "includes")
RULE_KEYS = (
    "kind", "r", "max_risk", "risk", "process_mean", "process_sd", "binary", "accepts_conditional", "repeats",
)  # fmt: skip


def parse_limits(label: str, text: str) -> Limits:
    """Read a limits file.

    Args:
        label: the file as the user named it, for messages.
        text: its content.

    Raises:
        FileError: anything wrong, with line, key and remedy.
    """
    document = parse_document(label, text)
    document.only(KEYS)
    scopes = document.table("scopes")
    if not scopes.values:
        raise document.error("scopes", 'names no scope. Add a table [scopes] with full = "every check".')
    names, included_in = _scopes(scopes)
    default_rule = _rule(document, SIMPLE, unit=None)
    rows = tuple(_limit(table, names, included_in, default_rule) for _, table in document.tables("limit"))
    if not rows:
        raise document.error("limit", "no limit is given. Add a table [limit.NAME].")
    return Limits(
        board=document.text("board"),
        revision=document.text("revision"),
        attempts=document.integer("attempts", minimum=1),
        scopes=names,
        rows=rows,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        file=label,
    )


def _scopes(table: Table) -> tuple[dict[str, str], dict[str, list[str]]]:
    """What each scope covers, in words; and for each scope the wider ones that take in all of its rows."""
    names: dict[str, str] = {}
    included_in: dict[str, list[str]] = {}
    for name, value in table.values.items():
        if isinstance(value, Mapping):
            wider = table.table(name)
            wider.only(SCOPE_KEYS)
            names[name] = wider.text("title", name)
            for included in wider.texts("includes"):
                if included not in table.values or included == name:
                    raise wider.error("includes", f"{included!r} is not another scope of [scopes]. Name one.")
                included_in.setdefault(included, []).append(name)
        else:
            names[name] = table.text(name)
    return names, included_in


def _limit(table: Table, scopes: Mapping[str, str], included_in: Mapping[str, list[str]], default_rule: Rule) -> Limit:
    table.only(LIMIT_KEYS)
    unit = table.choice("unit", UNITS, "")
    row_scopes = table.texts("scopes", ("full",))
    for scope in row_scopes:
        if scope not in scopes:
            raise table.error("scopes", f"{scope!r} is not in [scopes]. {did_you_mean(scope, scopes)}")
    if not row_scopes:
        raise table.error("scopes", "is empty: the row would never be measured. Name a scope or delete the row.")
    wider_scopes = (wider for scope in row_scopes for wider in included_in.get(scope, ()))
    row_scopes = tuple(dict.fromkeys((*row_scopes, *wider_scopes)))
    expected = table.values.get("expected")
    if expected is not None and not isinstance(expected, (str, bool)):
        raise table.error(
            "expected", f"must be a text, true or false, not {expected!r}. Limit numbers by lower, upper."
        )
    reason = table.text("reason")
    if not reason.strip():
        raise table.error("reason", "is empty. Say where the limit comes from.")
    try:
        return Limit(
            name=table.name,
            title=table.text("title", table.name),
            unit=unit,
            lower=table.quantity("lower", unit, None),
            upper=table.quantity("upper", unit, None),
            expected=expected,
            nominal=table.quantity("nominal", unit, None),
            tolerance=_tolerance(table, unit),
            scopes=row_scopes,
            at={key: _condition(table.table("at"), key) for key in table.table("at").values},
            part=table.text("part", None),
            reason=reason,
            rule=_rule(table, default_rule, unit=unit),
            margin=table.text("margin", None),
            place=Place(file=table.label, line=table.line()),
        )
    except ValueError as problem:
        raise table.error(None, f"{problem}.") from None


def parse_tolerance(text: str, unit: str) -> Tolerance:
    """Read ``"1.0 % + 0.3 pF"`` for a limit in F.

    Raises:
        ValueError: not a sum of a ratio and a value in that unit, or nothing at all.
    """
    relative, absolute = parse_half_width(text, unit, "tolerance", "limit")
    return Tolerance(relative=relative, absolute=absolute)


def parse_half_width(text: str, unit: str, what: str, of: str) -> tuple[float, float]:
    """Read ``"0.05 % + 3 mV"`` as ratio and value in that unit.

    Args:
        what: what it is, and ``of`` what, for messages.

    Raises:
        ValueError: not a sum of a ratio and a value in that unit.
    """
    relative = absolute = 0.0
    for term in text.replace("±", "").replace("(", "").replace(")", "").split("+"):
        value, found = parse_quantity(term)
        if value < 0:
            raise ValueError(f"{term.strip()!r} is negative; a half-width is written without a sign")
        if found == "":
            relative += value
        elif found == unit:
            absolute += value
        else:
            raise ValueError(f"{term.strip()!r} has the unit {found}, but the {of} is in {unit or 'a pure number'}")
    if not relative + absolute > 0:
        raise ValueError(f"{'an' if what[0] in 'aeiou' else 'a'} {what} of zero cannot be: write what it really is")
    return relative, absolute


def _tolerance(table: Table, unit: str) -> Tolerance | None:
    text = table.text("tolerance", None)
    if text is None:
        return None
    for side in ("lower", "upper"):
        if side in table:
            raise table.error(side, "stands beside a tolerance. Give the tolerance or lower and upper, not both.")
    try:
        return parse_tolerance(text, unit)
    except ValueError as problem:
        raise table.error("tolerance", f"{problem}.") from None


def _condition(at: Table, key: str) -> Value:
    value = at.values[key]
    if isinstance(value, bool):
        return value
    if isinstance(value, (int, float)):
        return float(value)
    text = at.text(key)
    try:
        number, unit = parse_quantity(text)
    except ValueError:
        return text
    return number if unit or text.strip()[-1:] in ("%", "m") else text  # "12" without a unit stays a text


def _rule(parent: Table, default: Rule, *, unit: str | None) -> Rule:
    if "rule" not in parent:
        return default
    if isinstance(parent.values["rule"], str):
        return Rule(kind=str(parent.choice("rule", RULE_KINDS)))
    table = parent.table("rule")
    table.only(RULE_KEYS)
    process: dict[str, Any] = {}
    for key in ("process_mean", "process_sd"):
        if key in table:
            if unit is None:
                raise table.error(key, "belongs to one limit, not to all. Move it into the limit's own rule.")
            process[key] = table.quantity(key, unit)
    try:
        return Rule(
            kind=str(table.choice("kind", RULE_KINDS)),
            r=table.number("r", 1.0),
            max_risk=table.number("max_risk", None),
            risk=table.text("risk", "joint"),
            binary=table.flag("binary", True),
            accepts_conditional=table.flag("accepts_conditional", False),
            repeats=table.integer("repeats", 1),
            **process,
        )
    except ValueError as problem:
        raise table.error(None, f"{problem}.") from None


def _leaves_nothing(row: Limit, certificate: Certificate) -> bool:
    """Whether the guard bands of the reference part alone, the least that U can be, eat up the tolerance."""
    zone = row.tolerance.around(certificate.value) if row.tolerance else row.zone
    guard = row.rule.r * certificate.expanded_uncertainty
    return zone.lower is not None and zone.upper is not None and zone.upper - zone.lower < 2 * guard


def _misused(row: Limit, part: Part) -> str:
    """Whether a part is read at a frequency that it is not meant for."""
    if row.unit not in ("", part.unit) or part.unit not in ("F", "H"):
        return ""
    read_hz = reading_frequency_hz(part.value, part.unit)
    at = f"{row.part!r} is read at about {show(read_hz, 'Hz', 3)}"
    if part.frequency_range_hz is not None and not part.frequency_range_hz[0] <= read_hz <= part.frequency_range_hz[1]:
        low, high = (show(edge, "Hz", 3) for edge in part.frequency_range_hz)
        return f"{at}, outside its frequency range {low} … {high} ({part.place}). Take a part that is meant for it."
    if part.self_resonance_hz is not None and read_hz >= part.self_resonance_hz:
        return f"{at}, above its self-resonance ({part.place}): no inductance there. Take another part."
    return ""


def check_temperatures(limits: Limits, kit: Kit, *, unknown_within_k: float | None = None) -> None:
    """No part is used where its value does not hold: the room that the limits allow lies in the range of every part.

    Args:
        unknown_within_k: how far parts may be from the temperature of their certificate where no thermometer tells;
            None: there is one.

    Raises:
        FileError: at the limit of the temperature, or at the part's table.
    """
    used = {row.part for row in limits.rows if row.part is not None and row.part in kit and kit[row.part].present}
    rooms = [row for row in limits.rows if row.unit == "degC" and row.lower is not None and row.upper is not None]
    for part in (kit[name] for name in sorted(used)):
        low, high = part.temperature_range_degc
        said = f"the temperature range {low:g} … {high:g} degC of '{part.name}'"
        for row in rooms:
            if not (low <= row.lower and row.upper <= high):  # type: ignore[operator]
                words = f"allows {row.lower:g} … {row.upper:g} degC, outside {said} ({part.place}). Narrow the limit."
                raise FileError(limits.file, row.place.line if row.place else None, f"limit.{row.name}", words)
        reach = unknown_within_k
        if reach is not None and not (low <= part.temperature_degc - reach and part.temperature_degc + reach <= high):
            words = f"may be used within ±{reach:g} K of {part.temperature_degc:g} degC, outside {said}. "
            words += "Put a thermometer at the jig, or take another part."
            raise FileError(kit.file, part.place.line if part.place else None, f"part.{part.name}", words)


def check_wiring(rows: Sequence[Limit], wired: Collection[str], bench: str) -> None:
    """Every part that the rows need is wired to the selector.

    Args:
        wired: names of the parts that the selector can connect.
        bench: label of the bench file.

    Raises:
        FileError: at the limit's table.
    """
    for row in rows:
        if row.part is not None and row.part not in wired:
            words = (
                f"{row.part!r} is not wired to the selector of {bench}. Add its channel to [selector.parts], or take "
            )
            words += "the row out of the scope."
            place = row.place
            raise FileError(place.file if place else "", place.line if place else None, f"limit.{row.name}.part", words)


def check_parts(limits: Limits, kit: Kit) -> None:
    """Hold the limits against the kit: parts known, units alike, no part that adjusts is the reference of a limit,
    and none is read at a frequency it is not meant for.

    Raises:
        FileError: at the limit's table.
    """
    for row in limits.rows:
        if row.part is None:
            continue
        problem = ""
        if row.part not in kit:
            problem = f"{row.part!r} is not in {kit.file}. {did_you_mean(row.part, [*kit.parts, 'open', 'short'])}"
        elif row.tolerance is not None and row.nominal is None:
            part = kit[row.part]
            if part.present is None:
                problem = f"{row.part!r} has no value to be the nominal. Add nominal, or lower and upper."
            elif part.unit != row.unit:
                problem = f"{row.part!r} is in {part.unit}, but the limit is in {row.unit or 'no unit'}. Correct unit."
            elif part.use == "adjust":
                problem = f"{row.part!r} is used for adjusting and cannot verify. Name another part of {kit.file}."
            elif row.rule.kind == "guard_band" and _leaves_nothing(row, part.present):
                expanded = show(part.present.expanded_uncertainty, part.unit, 2)
                problem = (
                    f"no acceptance zone is left: {row.part!r} alone has U = {expanded}, and its guard bands are wider "
                    "than the tolerance. Take a better part, a smaller r or a wider tolerance."
                )
        problem = problem or (_misused(row, kit[row.part]) if kit[row.part].present is not None else "")
        if problem:
            key = f'"{row.name}"' if "." in row.name else row.name
            raise FileError(limits.file, row.place.line if row.place else None, f"limit.{key}.part", problem)
