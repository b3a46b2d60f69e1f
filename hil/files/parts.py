"""Kit files: text -> `hil.core.equipment.Kit`, the reference parts with their certificates.

format = 1
kit = "demo"
[part.c_100p]
kind = "capacitor"                        # capacitor, inductor, resistor, frequency; "open" and "short" always exist
description = "100 pF, class 1 ceramic"   # what the operator reads when asked to fit it
value = "100.08 pF"                       # certified
expanded_uncertainty = "0.05 pF"          # U = k·u, more than zero
coverage_factor = 2                       # k; default 2
dof = 50                                  # effective degrees of freedom, 1 or more; default infinite
frequency = "100 kHz"                     # where the value holds
temperature = "23 degC"                   # where the value holds; default 23 degC
temperature_coefficient = "30 ppm/K"      # default 0
temperature_coefficient_tolerance = "10 ppm/K"    # half-width; default 0
self_resonance = "1.6 MHz"                # or parallel_capacitance = "12 pF" (inductors)
self_resonance_tolerance = "5 %"          # half-width of what it may really be; this is the default
series_resistance = "0.5 ohm"             # default 0
parallel_resistance = "10 Mohm"           # default infinite
temperature_range = ["18 degC", "28 degC"]        # where the part may be used; this is the default
frequency_range = ["1 kHz", "700 kHz"]    # default: anywhere
certificate = "QI-K-0012"
issued = 2026-02-10                       # not in the future
due = 2027-02-10                          # later than issued
use = "verify"                            # verify, adjust (then it never verifies) or check (readiness); default verify
damaged = "lead broken"                   # optional; a damaged part stops a run before the unit is touched
history = [ { date = 2025-02-11, value = "100.07 pF", expanded_uncertainty = "0.05 pF", certificate = "QI-K-0007" } ]
"""

import hashlib
from collections.abc import Collection

from hil.core.equipment import KINDS, USES, Certificate, Kit, Part
from hil.core.limit import Place
from hil.files.located import Table, parse_document

KEYS = ("format", "kit", "part")
PART_KEYS = (
    "kind", "description", "value", "expanded_uncertainty", "coverage_factor", "dof", "frequency", "temperature",
    "temperature_coefficient", "temperature_coefficient_tolerance", "self_resonance", "self_resonance_tolerance",
    "parallel_capacitance", "series_resistance", "parallel_resistance", "temperature_range", "frequency_range",
    "certificate", "issued", "due", "use", "damaged", "history",
)  # fmt: skip
HISTORY_KEYS = ("date", "value", "expanded_uncertainty", "coverage_factor", "dof", "certificate")
_CERTIFIED_KINDS: Collection[str] = tuple(kind for kind, unit in KINDS.items() if unit)


def parse_kit(label: str, text: str, *, today: str) -> Kit:
    """Read a kit file.

    Args:
        label: the file as the user named it, for messages.
        text: its content.
        today: ISO date; certificates from the future are refused.

    Raises:
        FileError: anything wrong, with line, key and remedy.
    """
    document = parse_document(label, text)
    document.only(KEYS)
    parts = {name: _part(table, today) for name, table in document.tables("part")}
    return Kit(kit=document.text("kit"), parts=parts, file=label, sha256=hashlib.sha256(text.encode()).hexdigest())


def _part(table: Table, today: str) -> Part:
    table.only(PART_KEYS)
    if table.name in ("open", "short"):
        raise table.error(None, f"'{table.name}' always exists and is not a part. Rename it or delete the table.")
    kind = str(table.choice("kind", _CERTIFIED_KINDS))
    unit = KINDS[kind]
    present = _certificate(table, unit, table, "issued", today)
    due = table.date("due").isoformat()
    if due <= present.date:
        raise table.error("due", f"{due} is not later than the date of issue {present.date}. Correct one of them.")
    history = tuple(_certificate(entry, unit, table, "date", today) for entry in _history(table))
    dates = [entry.date for entry in history] + [present.date]
    if dates != sorted(set(dates)):
        raise table.error("history", "is not in the order of time, oldest first and before the date of issue.")
    resonance = table.quantity("self_resonance", "Hz", None, above=0.0)
    capacitance = table.quantity("parallel_capacitance", "F", None, minimum=0.0)
    if resonance is not None and capacitance is not None:
        raise table.error("parallel_capacitance", "stands beside self_resonance; they say the same. Keep one.")
    temperature_degc = table.quantity("temperature", "degC", 23.0)
    used_degc = table.span("temperature_range", "degC", (18.0, 28.0))
    if not used_degc[0] <= temperature_degc <= used_degc[1]:
        words = (
            f"{temperature_degc:g} degC, where the value holds, is outside the temperature range. Correct one of them."
        )
        raise table.error("temperature", words)
    try:
        return Part(
            name=table.name,
            kind=kind,
            present=present,
            frequency_hz=table.quantity("frequency", "Hz", None, above=0.0),
            temperature_degc=temperature_degc,
            temperature_coefficient_per_k=table.quantity("temperature_coefficient", "1/K", 0.0),
            temperature_coefficient_tolerance_per_k=table.quantity(
                "temperature_coefficient_tolerance", "1/K", 0.0, minimum=0.0
            ),
            self_resonance_hz=resonance,
            self_resonance_tolerance=table.quantity("self_resonance_tolerance", "", 0.05, above=0.0),
            parallel_capacitance_f=capacitance,
            series_resistance_ohm=table.quantity("series_resistance", "ohm", 0.0, minimum=0.0),
            parallel_resistance_ohm=table.quantity("parallel_resistance", "ohm", None, above=0.0),
            temperature_range_degc=used_degc,
            frequency_range_hz=table.span("frequency_range", "Hz", None),
            due=due,
            use=str(table.choice("use", USES, "verify")),
            damaged=table.text("damaged", ""),
            description=table.text("description", table.name),
            history=history,
            place=Place(file=table.label, line=table.line()),
        )
    except ValueError as problem:
        raise table.error(None, f"{problem}.") from None


def _history(table: Table) -> list[Table]:
    entries = list(table.entries("history"))
    for entry in entries:
        entry.only(HISTORY_KEYS)
    return entries


def _certificate(table: Table, unit: str, part: Table, date_key: str, today: str) -> Certificate:
    date = table.date(date_key).isoformat()
    if date > today:
        raise table.error(date_key, f"{date} lies in the future (today is {today}). Correct the date or the clock.")
    return Certificate(
        value=table.quantity("value", unit, above=0.0),
        expanded_uncertainty=table.quantity("expanded_uncertainty", unit, above=0.0),
        coverage_factor=table.number("coverage_factor", part.number("coverage_factor", 2.0, above=0.0), above=0.0),
        dof=table.number("dof", None, minimum=1.0),
        certificate=table.text("certificate"),
        date=date,
    )
