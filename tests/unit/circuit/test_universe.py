"""The universe of faults: what is in it, how its weights add up, and what is refused."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from hil.circuit.board import BoardModel
from hil.circuit.faults import parse_fault
from hil.circuit.universe import CLASSES, FaultWeights, PossibleFault, Weight, universe, varied
from hil.files.fault_weights import parse_fault_weights

FILE = Path(__file__).parents[3] / "fixtures" / "boards" / "qm2_faults.toml"


@pytest.fixture(scope="module")
def weights(netlist) -> FaultWeights:
    return parse_fault_weights(FILE.name, FILE.read_text(encoding="utf-8"), netlist)


@pytest.fixture(scope="module")
def faults(netlist, weights) -> tuple[PossibleFault, ...]:
    return universe(netlist, weights)


def test_several_hundred_different_faults_of_every_class(faults):
    assert 500 < len(faults) < 1000
    assert len({fault.text for fault in faults}) == len(faults)
    assert {fault.fault_class for fault in faults} == set(CLASSES)
    assert sum(fault.weight for fault in faults) == pytest.approx(1.0)


def test_every_component_has_a_fault(netlist, faults):
    involved = {designator for fault in faults for designator in fault.fault.components}
    assert involved == {component.designator for component in netlist.components}


@pytest.mark.parametrize(
    "text",
    [
        "R12=open", "U3.6=open", "U3.6,U3.7=bridge", "C4=short", "U1=reversed", "R10=x0.1", "R7=+20%", "R7=-50%",
        "R10=value=270kohm", "R3=value=178ohm", "C2=value=1.5nF", "R2,R3=swapped", "R7,R8=swapped",
        "R9=intermittent=0.1",
        "K1=stuck_open", "K2=stuck_closed", "K1=contact=20ohm", "U4=slow", "Y1=+300ppm", "U2=wrong", "U3=blank",
        "U3=clock/8", "L1=weak_q", "DISP1=dead", "KEY1=stuck_closed",
    ],
)  # fmt: skip
def test_assembly_practice_is_there(faults, text):
    assert text in {fault.text for fault in faults}


def test_what_cannot_happen_is_not(faults):
    texts = {fault.text for fault in faults}
    assert "U3.8,U3.22=bridge" not in texts  # not neighbours
    assert "U3.14,U3.15=bridge" not in texts  # across the package
    assert "R10,R11=swapped" not in texts  # of the same value
    assert "R1=reversed" not in texts


def test_weights_are_data(netlist, weights, faults):
    heavier = replace(weights, classes=dict(weights.classes) | {"bridge": Weight(weight=300.0, reason="a bad day")})
    share, before = (
        sum(fault.weight for fault in found if fault.fault_class == "bridge")
        for found in (universe(netlist, heavier), faults)
    )
    assert share > 0.85 > 0.2 > before
    without = replace(weights, classes=dict(weights.classes) | {"drifted": Weight(weight=0.0, reason="never")})
    assert "drifted" not in Counter(fault.fault_class for fault in universe(netlist, without))


def test_factor_of_a_component_brings_its_reason(faults):
    contact = {fault.text: fault for fault in faults}
    assert contact["K1=contact=20ohm"].weight == pytest.approx(1.5 * contact["K2=contact=20ohm"].weight)
    assert "eight stiff pins" in contact["K1=contact=20ohm"].reason


def test_inspection_says_what_would_find_a_missing_decoupling_capacitor(faults):
    found = {fault.text: fault.inspection for fault in faults}
    assert found["C7=open"].startswith("decoupling: no effect on mean voltages")
    assert found["R12=open"] == ""


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"board": "qm3"}, "the weights are for board 'qm3', the netlist is 'qm2'"),
        ({"classes": {}}, r"class 'missing' has no weight; add \[class.missing\]"),
        ({"factors": {"R99": Weight(weight=2.0, reason="x")}}, "there is no component 'R99' on board qm2"),
    ],
)
def test_what_is_refused(netlist, weights, change, message):
    with pytest.raises(ValueError, match=message):
        universe(netlist, replace(weights, **change))
    with pytest.raises(ValueError, match="there is no fault class 'fire'"):
        universe(netlist, replace(weights, classes=dict(weights.classes) | {"fire": Weight(weight=1.0, reason="")}))


@pytest.mark.study
def test_every_fault_has_an_operating_point(netlist, faults, powered):
    """Each fault alone, in four states: the solver settles, and the supply's limit is never exceeded."""
    states = (
        powered(), powered(pins={"PB0": "high", "PB1": "high"}), powered(supply_v=-7.4, supply_limit_a=0.02),
        powered(supply_v=None),
    )  # fmt: skip
    for fault in faults:
        model = BoardModel(netlist, {}, [fault.fault])
        for conditions in states:
            operating = model.solve(conditions)
            assert operating.converged, (fault.text, conditions)
            assert abs(operating.supply_current_a) <= conditions.supply_limit_a * 1.001, fault.text


def test_strengths_vary_and_stay_faults_of_the_board(netlist, faults):
    for fault in faults:
        for uniform in (0.0, 0.37, 1.0):
            found = parse_fault(varied(fault, netlist, uniform), netlist)
            assert found.components == fault.fault.components


@pytest.mark.parametrize(
    ("text", "made"),
    [
        ("R14=-20%", ("R14=-15.0000%", "R14=-25.0000%")),
        ("Y1=+300ppm", ("Y1=+225.0000ppm", "Y1=+375.0000ppm")),
        ("K1=contact=20ohm", ("K1=contact=10.0000ohm", "K1=contact=40.0000ohm")),
        ("R1=x10", ("R1=x10", "R1=x10")),
        ("R1=value=82kohm", ("R1=value=81180ohm", "R1=value=82820ohm")),
        ("U4=slow", ("U4=value=2.4e-07s", "U4=value=3.6e-07s")),
        ("L1=weak_q", ("L1.q=value=12", "L1.q=value=18")),
    ],
)
def test_how_far_strengths_vary(netlist, faults, text, made):
    (fault,) = (one for one in faults if one.text == text)
    assert (varied(fault, netlist, 0.0), varied(fault, netlist, 1.0)) == made
