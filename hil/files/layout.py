"""Where components stand in the schematic: text -> places. The file's grammar stands at its head."""

from collections.abc import Mapping
from dataclasses import dataclass

from hil.circuit.netlist import Netlist
from hil.files.located import Table, did_you_mean, parse_document


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A functional group: its title, its upper left corner and its size, in places."""

    title: str
    at: tuple[int, int]
    columns: int
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Blocks, and the place (column, row) of every component; rows count downwards."""

    blocks: tuple[Block, ...]
    places: Mapping[str, tuple[int, int]]


def parse_layout(label: str, text: str, netlist: Netlist) -> Layout:
    """Read a layout of a board.

    Raises:
        FileError: anything wrong, with line and key: an unknown component, one that stands twice or nowhere.
    """
    document = parse_document(label, text)
    document.only(("format", "board", "block"))
    if document.text("board") != netlist.board:
        raise document.error("board", f"is {document.text('board')!r}, but the netlist is of {netlist.board!r}.")
    known = {part.designator for part in netlist.components}
    blocks: list[Block] = []
    places: dict[str, tuple[int, int]] = {}
    for _, table in document.tables("block"):
        table.only(("title", "at", "rows"))
        column, row = _corner(table)
        lines = _lines(table)
        for down, line in enumerate(lines):
            for right, name in enumerate(line):
                if name == "":
                    continue
                if name not in known:
                    raise table.error("rows", f"{name!r} is not on the board. {did_you_mean(name, known)}")
                if name in places:
                    raise table.error("rows", f"{name} stands at two places. Remove one of them.")
                places[name] = (column + right, row + down)
        blocks.append(Block(title=table.text("title"), at=(column, row), columns=max(map(len, lines)), rows=len(lines)))
    missing = sorted(known - set(places))
    if missing:
        raise document.error("block", f"{missing[0]} stands nowhere. Give it a place in one of the blocks.")
    return Layout(blocks=tuple(blocks), places=places)


def _corner(table: Table) -> tuple[int, int]:
    found = table.values.get("at")
    if not isinstance(found, list) or len(found) != 2 or not all(isinstance(one, int) for one in found):
        raise table.error("at", "must be two whole numbers: [column, row].")
    return found[0], found[1]


def _lines(table: Table) -> list[list[str]]:
    found = table.values.get("rows")
    if not isinstance(found, list) or not found or not all(isinstance(line, list) and line for line in found):
        raise table.error("rows", 'must be a list of rows: [["R1", "R2"], ["C1", ""]].')
    if not all(isinstance(name, str) for line in found for name in line):
        raise table.error("rows", 'must hold designators in quotes; "" leaves a place empty.')
    return found
