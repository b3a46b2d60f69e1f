"""The layout of a board: every component has one place; each complaint names it."""

import pytest

from hil.app.locate import locate, read_text
from hil.circuit.netlist import Netlist
from hil.errors import FileError
from hil.files.layout import parse_layout
from hil.files.netlist import parse_netlist

TEXT = read_text(locate("board", "qm2_layout"))


@pytest.fixture(scope="module")
def netlist() -> Netlist:
    return parse_netlist("qm2.toml", read_text(locate("board", "qm2")))


def test_every_component_of_the_board_has_one_place(netlist):
    layout = parse_layout("layout.toml", TEXT, netlist)
    assert set(layout.places) == {part.designator for part in netlist.components}
    assert len(set(layout.places.values())) == len(layout.places)


def test_blocks_do_not_overlap(netlist):
    cells = [
        (block.at[0] + right, block.at[1] + down)
        for block in parse_layout("layout.toml", TEXT, netlist).blocks
        for right in range(block.columns)
        for down in range(block.rows)
    ]
    assert len(set(cells)) == len(cells)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"R7"', '"R77"', "'R77' is not on the board."),
        ('["R8", "C12"]', '["R8", "C11"]', "C11 stands at two places. Remove one of them."),
        ('["R8", "C12"]', '["R8"]', "C12 stands nowhere. Give it a place in one of the blocks."),
        ("at = [10, 0]", 'at = "10, 0"', "must be two whole numbers: [column, row]."),
        ('rows = [["R7"], ["R8", "C12"]]', "rows = []", "must be a list of rows"),
        ('board = "qm2"', 'board = "qm3"', "is 'qm3', but the netlist is of 'qm2'."),
    ],
)
def test_complaints(netlist, old, new, said):
    assert old in TEXT
    with pytest.raises(FileError) as caught:
        parse_layout("layout.toml", TEXT.replace(old, new), netlist)
    assert said in str(caught.value)
    assert str(caught.value).startswith("layout.toml:")
