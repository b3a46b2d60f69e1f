"""What the nominal board may tell about every sound one."""

import random
from pathlib import Path

import pytest

from hil.circuit.board import BoardModel, draw_values
from hil.circuit.faults import parse_faults
from hil.circuit.netlist import Netlist
from hil.files.netlist import parse_netlist
from hil.sim.nominal import Nominal
from hil.sim.wiring import arriving_ends

BOARD = Path(__file__).parents[3] / "fixtures" / "boards" / "qm2.toml"


@pytest.fixture(scope="module")
def netlist() -> Netlist:
    return parse_netlist(BOARD.name, BOARD.read_text(encoding="utf-8"))


def test_logic_lines_of_drawn_boards_arrive_as_the_nominal_ones(netlist: Netlist) -> None:
    nominal = Nominal(netlist, 10e6)
    for number in range(10):
        values = draw_values(netlist, lambda name, number=number: random.Random(f"{number}/{name}").random())
        model = BoardModel(netlist, values)
        assert nominal.arriving_ends(model, joints_open=False) == arriving_ends(model, joints_open=False)


def test_a_board_with_a_fault_is_asked_itself(netlist: Netlist) -> None:
    nominal = Nominal(netlist, 10e6)
    faulty = BoardModel(netlist, {}, parse_faults(("R5=open",), netlist))
    sound = BoardModel(netlist, {})
    assert nominal.arriving_ends(faulty, joints_open=False) < nominal.arriving_ends(sound, joints_open=False)
