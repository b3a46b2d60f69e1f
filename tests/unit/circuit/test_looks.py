"""All looks at a board: what good ones show, and what single faults move."""

import math

import pytest

from hil.circuit.board import BoardModel, Terminal
from hil.circuit.faults import parse_faults
from hil.circuit.looks import between_points, look_at

PARTS = {
    "c_1n": Terminal(kind="capacitor", value=1e-9, jig_capacitance_f=1.3e-12),
    "l_1m": Terminal(kind="inductor", value=1e-3, series_resistance_ohm=1.0, jig_inductance_h=60e-9),
}


def looks(netlist, *faults):
    return dict(look_at(BoardModel(netlist, {}, parse_faults(faults, netlist)), PARTS))


@pytest.fixture(scope="module")
def good(netlist):
    return looks(netlist)


def test_a_good_board_answers_everything(good):
    assert not [name for name, value in good.items() if math.isnan(value)]
    assert good["V TP_5V, idle"] == pytest.approx(5.0, rel=0.01)
    assert good["ohm TP_5V:TP_COMP"] == pytest.approx(1000, rel=0.01)
    assert good["Hz open"] > good["Hz c_1n"] > 300e3
    assert good["Hz open, K1"] == 0.0
    assert (good["= KEY1 reads released, idle"], good["= KEY1 reads released, KEY1 pressed"]) == (1.0, 0.0)
    assert abs(good["rel timebase"]) < 1e-5


def test_resistances_are_between_ground_and_what_components_join(netlist):
    pairs = between_points(netlist)
    assert ("TP_5V", "GND") in pairs
    assert ("TP_COMP", "TP_INAVG") in pairs
    assert len(set(pairs)) == len(pairs)


def test_looks_are_the_same_every_time(netlist, good):
    assert looks(netlist) == good


def test_a_missing_decoupling_capacitor_moves_nothing(netlist, good):
    assert looks(netlist, "C7=open") == pytest.approx(good, rel=2e-5, abs=1e-6)


@pytest.mark.parametrize(
    ("fault", "name"),
    [
        ("R9=+20%", "ohm TP_5V:TP_COMP"),
        ("R14=open", "V TP_COMPAVG, idle, loaded"),
        ("LED1=open", "= LED1 lit, idle"),
        ("KEY2=stuck_closed", "= KEY2 reads released, idle"),
        ("C2=open", "Hz ccal"),
        ("U1=wrong", "V TP_5V, idle"),
        ("SW1=open", "A supply, idle"),
    ],
)
def test_what_a_fault_moves(netlist, good, fault, name):
    assert looks(netlist, fault)[name] != pytest.approx(good[name], rel=1e-3)


def test_a_meter_that_does_not_run_gives_no_answer(netlist):
    found = looks(netlist, "U3=blank")
    assert math.isnan(found["Hz open"])
    assert math.isnan(found["rel pack reading, idle"])
    assert found["= meter runs, idle"] == 0.0
