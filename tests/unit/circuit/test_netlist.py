"""The board as data: what is there, and what is refused."""

from dataclasses import replace

import pytest

from hil.circuit.netlist import Pin, check_component, check_netlist


def test_about_fifty_components_with_tolerances(netlist):
    assert 50 <= len(netlist.components) <= 70
    for parameter in netlist.parameters():
        assert parameter.tolerance > 0, parameter.name


def test_test_points_of_the_scenario(netlist):
    expected = {
        "TP_PACK", "TP_5V", "TP_3V", "TP_DIV", "TP_AREF", "TP_COMP", "TP_COMPAVG", "TP_INAVG",
        "TP_K1", "TP_K2", "TP_RESET",
    }  # fmt: skip
    assert expected <= set(netlist.test_points)


@pytest.mark.parametrize(
    ("pin", "port"),
    [("6", "PD4"), ("2", "PD0"), ("3", "PD1"), ("4", "PD2"), ("14", "PB0"), ("15", "PB1"), ("23", "PC0"), ("1", "PC6")],
)
def test_pins_of_the_microcontroller(netlist, pin, port):
    part = netlist.component("U3")
    assert part.pin(pin) is part.pin(port)


def test_neighbours_do_not_cross_the_package(netlist):
    adjacent = netlist.component("U3").adjacent
    assert ("13", "14") in adjacent
    assert ("14", "15") not in adjacent
    assert netlist.component("R5").adjacent == ()


def test_unknown_component_and_pin_list_what_there_is(netlist):
    with pytest.raises(ValueError, match=r"no component 'R99' on board qm2; there are J1, F1"):
        netlist.component("R99")
    with pytest.raises(ValueError, match=r"D2 has no pin '3'; it has 1 A, 2 K"):
        netlist.component("D2").pin("3")


def test_dangling_net_is_refused(netlist):
    part = netlist.component("R5")
    wrong = replace(part, pins=(Pin(number="1", name="1", net="UARTNI"), part.pins[1]))
    components = tuple(wrong if c is part else c for c in netlist.components)
    with pytest.raises(ValueError, match=r"net 'UARTIN' has only the pin J2\.3; correct its name or connect it"):
        check_netlist(replace(netlist, components=components))


def test_test_point_on_an_unknown_net_is_refused(netlist):
    with pytest.raises(ValueError, match="TP_X refers to net 'X', which no pin is on"):
        check_netlist(replace(netlist, test_points={"TP_X": "X"}))


def test_component_without_tolerance_is_refused(netlist):
    part = netlist.component("L1")
    with pytest.raises(ValueError, match=r"L1 lacks L1\.q; give it a value and a tolerance"):
        check_component(replace(part, parameters=part.parameters[:2]))


def test_unconnected_pin_that_an_equation_needs_is_refused(netlist):
    part = netlist.component("D2")
    with pytest.raises(ValueError, match=r"D2\.A must be connected"):
        check_component(replace(part, pins=(Pin(number="1", name="A", net=""), part.pins[1])))


def test_two_pins_of_one_connector(netlist):
    assert netlist.connector_nets("T1", "T2") == ("T1", "GND")
    with pytest.raises(ValueError, match="board qm2 has no connector with pins T1 and RX; name them so in its file"):
        netlist.connector_nets("T1", "RX")
