"""The kit of reference parts as tables and as JSON."""

from collections.abc import Sequence
from typing import IO, TYPE_CHECKING, Any

from rich import box
from rich.console import Console
from rich.table import Table

from hil.core.units import show

if TYPE_CHECKING:
    from hil.app.kit import InstrumentLife, Life, Moved

LEAST_WIDTH = 120  # what the tables need; a narrower screen wraps them


def _table(screen: IO[str], left: str, *right: str) -> tuple[Console, Table]:
    console = Console(file=screen, highlight=False, markup=False, soft_wrap=True)
    console.width = max(console.width, LEAST_WIDTH)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(left, no_wrap=True)
    for heading in right:
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("")
    return console, table


def print_lives(lives: Sequence["Life"], today: str, screen: IO[str]) -> None:
    """One line a part: certified, today, its drift, when it should go back."""
    console, table = _table(screen, "part", "certified", "U", "today", "U today", "drift a year", "±", "back by")
    for life in lives:
        part, present = life.part, life.part.present
        if present is None:
            continue
        expanded = 2 * present.standard_uncertainty
        words = [life.trouble] if life.trouble else []
        words += ["drifts"] if life.is_significant else []
        words += ["should go back"] if life.back_by and life.back_by <= today else []
        table.add_row(
            part.name, show(present.value, part.unit, 6), _ppm(expanded, present.value),
            show(life.value, part.unit, 6), _ppm(life.expanded_uncertainty, life.value),
            _ppm(life.rate, present.value), _ppm(life.u_rate, present.value), life.back_by, ", ".join(words),
        )  # fmt: skip
    console.print(table)
    bad = [life.part.name for life in lives if life.trouble]
    console.print(f"{len(lives)} parts on {today}; " + (f"not to be used: {', '.join(bad)}" if bad else "all in date"))


def print_instruments(lives: Sequence["InstrumentLife"], screen: IO[str]) -> None:
    """One line an instrument: how its calibrations went, and when it should go back."""
    console, table = _table(screen, "instrument", "certificate", "due", "in tolerance", "interval", "back by")
    for life in lives:
        table.add_row(
            life.role, life.certificate, life.due,
            f"{life.in_tolerance} of {life.calibrations}" if life.calibrations else "first",
            f"{life.interval_days:.0f} days" if life.interval_days is not None else "", life.back_by, life.trouble,
        )  # fmt: skip
    console.print(table)


def instrument_json(life: "InstrumentLife") -> dict[str, Any]:
    """One object an instrument."""
    return {
        "format": 1,
        "instrument": life.role,
        "certificate": life.certificate,
        "due": life.due,
        "calibrations": life.calibrations,
        "in_tolerance": life.in_tolerance,
        "interval_days": life.interval_days,
        "back_by": life.back_by,
        "trouble": life.trouble,
    }


def print_moved(found: Sequence["Moved"], screen: IO[str]) -> None:
    """One line a part: how its readings have changed against those of the others."""
    console, table = _table(screen, "part", "units before", "since", "change against the others", "U", "E_n")
    for one in found:
        check = one.check
        table.add_row(
            check.part, str(one.before), str(one.since), _ppm(check.deviation, 1.0),
            _ppm(check.expanded_uncertainty, 1.0), f"{check.score:+.1f}", "has moved" if check.has_moved else "",
        )  # fmt: skip
    console.print(table)
    moved = [one.check.part for one in found if one.check.has_moved]
    if moved:
        console.print(
            f"moved: {', '.join(moved)}. Take each out of use and have it calibrated; 'hil trace PART --since DATE' "
            "lists the units that rest on it."
        )
    else:
        console.print(f"none of {len(found)} parts has moved by more than its U")


def _ppm(value: float, of: float) -> str:
    ppm = value / of * 1e6
    return f"{ppm:.0f} ppm" if abs(ppm) < 1e4 else f"{ppm / 1e4:.2f} %"


def life_json(life: "Life") -> dict[str, Any]:
    """One object a part, in the unit of the part."""
    return {
        "format": 1,
        "part": life.part.name,
        "unit": life.part.unit,
        "value": life.value,
        "expanded_uncertainty": life.expanded_uncertainty,
        "drift_per_year": life.rate,
        "drift_expanded_uncertainty": life.u_rate,
        "drift_is_significant": life.is_significant,
        "due": life.part.due,
        "back_by": life.back_by,
        "trouble": life.trouble,
    }


def moved_json(one: "Moved") -> dict[str, Any]:
    """One object a part; deviations are relative."""
    check = one.check
    return {
        "format": 1,
        "part": check.part,
        "units_before": one.before,
        "units_since": one.since,
        "deviation": check.deviation,
        "expanded_uncertainty": check.expanded_uncertainty,
        "has_moved": check.has_moved,
    }
