"""The weights of possible faults: how often each class happens, as data that is edited with its reason.

[class.joint]          weight = 10, reason = "…"      relative, per joint
[component.K1]         factor = 2, reason = "…"       multiplies every fault of that component
[[inspection]]         faults = "C7=*", finds = "…"   why no reading shows it, and what would find it
"""

from collections.abc import Collection

from hil.circuit.netlist import Netlist
from hil.circuit.universe import CLASSES, FaultWeights, Weight
from hil.files.located import Table, did_you_mean, parse_document


def parse_fault_weights(label: str, text: str, netlist: Netlist) -> FaultWeights:
    """Read a weights file for a board.

    Raises:
        FileError: anything wrong, with line and key.
    """
    document = parse_document(label, text)
    document.only(("format", "board", "class", "component", "inspection"))
    if document.text("board") != netlist.board:
        raise document.error("board", f"is {document.text('board')!r}, but the netlist is of {netlist.board!r}.")
    known = {component.designator for component in netlist.components}
    classes = {name: _weight(table, "weight", CLASSES) for name, table in document.tables("class")}
    for name in CLASSES:
        if name not in classes:
            raise document.error("class", f"class {name!r} is missing. Add [class.{name}] with weight and reason.")
    if not any(one.weight for one in classes.values()):
        raise document.error("class", "every weight is zero. Weights are relative: give what happens one above zero.")
    return FaultWeights(
        board=document.text("board"),
        classes=classes,
        factors={name: _weight(table, "factor", known) for name, table in document.tables("component")},
        inspections=tuple(_inspection(entry) for entry in document.entries("inspection")),
    )


def _weight(table: Table, key: str, known: Collection[str]) -> Weight:
    if table.name not in known:
        raise table.error(None, f"{table.name!r} is not known. {did_you_mean(table.name, known)}")
    table.only((key, "reason"))
    weight = table.number(key)
    if weight < 0:
        raise table.error(key, f"must be zero or more, not {weight:g}.")
    return Weight(weight=weight, reason=table.text("reason"))


def _inspection(entry: Table) -> tuple[str, str]:
    entry.only(("faults", "finds"))
    return entry.text("faults"), entry.text("finds")
