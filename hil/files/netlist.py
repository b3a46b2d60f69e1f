"""The board file: components, values, pins and test points -> `Netlist`. The file's grammar stands at its head.

Every complaint names file, line, key and remedy; a net with a single pin and a component without tolerance are
refused, because both are what a typing error looks like.
"""

from collections.abc import Mapping
from functools import lru_cache
from itertools import pairwise

from hil.circuit.netlist import (
    MAIN_UNITS,
    MODEL_CONSTANTS,
    OPTIONAL_CONSTANTS,
    PARAMETERS,
    POLARISED,
    Component,
    Netlist,
    Parameter,
    Pin,
    check_component,
    check_netlist,
)
from hil.core.units import quantity
from hil.errors import FileError
from hil.files.located import Table, parse_document

_COMPONENT_KEYS = (
    "kind", "title", "pins", "rows", "value", "tolerance", "temperature_coefficient", "parameter", "model", "polarised",
)  # fmt: skip
_BOARD_KEYS = ("format", "board", "revision", "ground", "rails", "reference_temperature", "test_point", "component")


@lru_cache(maxsize=4)
def parse_netlist(label: str, text: str) -> Netlist:
    """Read a board file; read again it is the same object, and all that is known of its nominal board is kept.

    Args:
        label: the file as the user named it, for messages.
        text: its content.

    Raises:
        FileError: anything wrong, with line and key.
    """
    document = parse_document(label, text)
    document.only(_BOARD_KEYS)
    points = document.table("test_point")
    components = tuple(_component(table) for _, table in document.tables("component"))
    netlist = Netlist(
        board=document.text("board"),
        revision=document.text("revision"),
        components=components,
        test_points={name: points.text(name) for name in points.values},
        ground=document.text("ground"),
        rails=document.texts("rails"),
        reference_temperature_degc=document.quantity("reference_temperature", "degC"),
    )
    _check_references(document, netlist)
    return netlist


def _check_references(document: Table, netlist: Netlist) -> None:
    try:
        check_netlist(netlist)
    except ValueError as problem:
        raise _place(document, netlist, str(problem)) from None


def _place(document: Table, netlist: Netlist, problem: str) -> FileError:
    """The line that a complaint about the whole netlist is about."""
    points = document.table("test_point")
    for name in netlist.test_points:
        if problem.startswith(f"{name} refers"):
            return points.error(name, f"{problem}.")
    for component in netlist.components:
        if any(f"the pin {component.designator}.{pin.number};" in problem for pin in component.pins):
            return document.table("component").table(component.designator).error("pins", f"{problem}.")
    return document.error("rails" if problem.startswith("rails") else "ground", f"{problem}.")


def _component(table: Table) -> Component:
    table.only(_COMPONENT_KEYS)
    designator = table.name
    kind = table.choice("kind", MAIN_UNITS)
    pins = _pins(table)
    component = Component(
        designator=designator,
        kind=kind,
        title=table.text("title"),
        pins=pins,
        parameters=_parameters(table, designator, kind),
        model=_model(table, kind),
        polarised=table.flag("polarised", kind in POLARISED),
        adjacent=_adjacent(table, pins),
    )
    try:
        check_component(component)
    except ValueError as problem:
        raise table.error(None, f"{problem}.") from None
    return component


def _pins(table: Table) -> tuple[Pin, ...]:
    pins = []
    for entry in table.texts("pins"):
        words = entry.split()
        if len(words) not in (2, 3):
            raise table.error("pins", f'{entry!r} is not "NUMBER NET" or "NUMBER NAME NET".')
        net = "" if words[-1] == "-" else words[-1]
        pins.append(Pin(number=words[0], name=words[1] if len(words) == 3 else words[0], net=net))
    return tuple(pins)


def _adjacent(table: Table, pins: tuple[Pin, ...]) -> tuple[tuple[str, str], ...]:
    """Neighbours within each row of the package; two-terminal parts have none (a bridge there is a short)."""
    rows = table.values.get("rows", [len(pins)])
    if not isinstance(rows, list) or not all(isinstance(n, int) for n in rows) or sum(rows) != len(pins):
        raise table.error("rows", f"must be a list of whole numbers that add up to the {len(pins)} pins.")
    if len(pins) < 3:
        return ()
    pairs, start = [], 0
    for length in rows:
        row = pins[start : start + length]
        pairs += [(first.number, second.number) for first, second in pairwise(row)]
        start += length
    return tuple(pairs)


def _parameters(table: Table, designator: str, kind: str) -> tuple[Parameter, ...]:
    unit = MAIN_UNITS[kind]
    further = table.table("parameter")
    further.only(PARAMETERS.get(kind, {}))
    if unit is None:
        if "value" in table:
            raise table.error("value", f"a {kind} has no value. Remove the key.")
        return ()
    parameters = [_parameter(table, designator, unit)]
    for name, wanted in PARAMETERS.get(kind, {}).items():
        if name in further:
            entry = further.table(name)
            entry.only(("value", "tolerance", "temperature_coefficient"))
            parameters.append(_parameter(entry, f"{designator}.{name}", wanted))
    return tuple(parameters)


def _parameter(table: Table, name: str, unit: str) -> Parameter:
    value = table.quantity("value", unit)
    if "tolerance" not in table:
        raise table.error(None, f"{name} has no tolerance. Add 'tolerance', relative (\"1 %\") or in its own unit.")
    width, found = table.any_quantity("tolerance")
    absolute = found == unit and "%" not in table.text("tolerance") and "ppm" not in table.text("tolerance")
    if not absolute and found != "":
        raise table.error("tolerance", f"must be a ratio or in {unit or 'no unit'}, not in {found}.")
    if not width >= 0:
        raise table.error("tolerance", f"must be zero or more, not {table.text('tolerance')!r}.")
    return Parameter(
        name=name,
        value=value,
        unit=unit,
        tolerance=width if absolute else width * abs(value),
        temperature_coefficient=table.quantity("temperature_coefficient", "1/K", 0.0),
    )


def _model(table: Table, kind: str) -> Mapping[str, float]:
    given = table.table("model")
    known = MODEL_CONSTANTS.get(kind, {})
    given.only(known)
    constants = {name: OPTIONAL_CONSTANTS[name] for name in known if name in OPTIONAL_CONSTANTS}
    for name, unit in known.items():
        if name in given:
            try:
                constants[name] = quantity(given.text(name), unit)
            except ValueError as problem:
                raise given.error(name, f"{problem}.") from None
    return constants
