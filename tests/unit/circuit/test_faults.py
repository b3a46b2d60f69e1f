"""Faults: their grammar, what a target allows, and what they do to the netlist."""

import pytest

from hil.circuit.faults import allowed_effects, assemble, parse_fault, parse_faults


@pytest.mark.parametrize(
    ("text", "target", "effect", "amount"),
    [
        ("R5=open", ("R5",), "open", 0.0),
        ("U3.4=open", ("U3.4",), "open", 0.0),
        ("U3.PD2=open", ("U3.PD2",), "open", 0.0),
        ("C3=reversed", ("C3",), "reversed", 0.0),
        ("R7,R8=swapped", ("R7", "R8"), "swapped", 0.0),
        ("U3.4,U3.5=bridge", ("U3.4", "U3.5"), "bridge", 0.0),
        ("R5=+20%", ("R5",), "scale", 1.2),
        ("R5=-50%", ("R5",), "scale", 0.5),
        ("R5=x10", ("R5",), "scale", 10.0),
        ("Y1=+200ppm", ("Y1",), "scale", 1.0002),
        ("L1.q=x0.3", ("L1.q",), "scale", 0.3),
        ("R5=value=4.7kohm", ("R5",), "value", 4700.0),
        ("K1=stuck_open", ("K1",), "stuck_open", 0.0),
        ("K2=stuck_closed", ("K2",), "stuck_closed", 0.0),
        ("K1=contact=20ohm", ("K1",), "contact", 20.0),
        ("R5=intermittent=0.1", ("R5",), "intermittent", 0.1),
        ("U3=clock/8", ("U3",), "clock/8", 0.0),
        ("U3=blank", ("U3",), "blank", 0.0),
        ("U1=wrong", ("U1",), "wrong", 0.0),
        ("U4=slow", ("U4",), "slow", 0.0),
    ],
)
def test_grammar(netlist, text, target, effect, amount):
    fault = parse_fault(text, netlist)
    assert (fault.target, fault.effect) == (target, effect)
    assert fault.amount == pytest.approx(amount)
    assert fault.text == text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("R5", r"'R5' is not TARGET=EFFECT; write it like 'R5=open'"),
        ("R99=open", r"no component 'R99' on board qm2"),
        ("R5=stuck_open", r"R5 does not allow 'stuck_open'; it allows open, short, intermittent=0.1, \+20%"),
        ("R5=reversed", r"R5 does not allow 'reversed'"),
        ("K1.3=short", r"K1.3 does not allow 'short'; it allows open, intermittent=0.1"),
        ("R5,C3=swapped", r"R5,C3 does not allow 'swapped'; two pins allow bridge, two components of one kind swapped"),
        ("R5,R6=bridge", r"R5,R6 does not allow 'bridge'; it allows swapped"),
        ("R5,R5=swapped", r"names the same target twice"),
        ("R1,R2,R3=open", r"names 3 targets"),
        ("R5=-100%", r"leaves nothing of the value"),
        ("R5=intermittent=2", r"the probability must be above 0 and at most 1"),
        ("K1=contact=20V", r"'20V' has the unit V, but ohm is needed"),
        ("K1=contact", r"K1 does not allow 'contact'"),
        ("J1=+20%", r"J1 does not allow '\+20%'; it allows open"),
    ],
)
def test_what_is_refused_and_what_is_allowed_instead(netlist, text, message):
    with pytest.raises(ValueError, match=message):
        parse_fault(text, netlist)


def test_every_component_allows_something_and_each_example_is_accepted(netlist):
    for part in netlist.components:
        effects = allowed_effects(part.designator, netlist)
        assert effects
        for effect in effects:
            if "…" not in effect:
                assemble(netlist, {}, [parse_fault(f"{part.designator}={effect}", netlist)])


def test_open_gives_the_pin_a_net_of_its_own(netlist):
    board = assemble(netlist, {}, parse_faults(["U3.PD4=open"], netlist))
    assert board.netlist.component("U3").net("6") == "U3.6"
    assert netlist.component("U3").net("6") == "T0"


def test_short_and_bridge_are_links(netlist):
    assert assemble(netlist, {}, parse_faults(["C3=short"], netlist)).links == (("PACK", "GND"),)
    assert assemble(netlist, {}, parse_faults(["U3.20,U3.21=bridge"], netlist)).links == (("AVCC", "AREF"),)


def test_swapped_values_change_places_with_all_their_parameters(netlist):
    board = assemble(netlist, {"R7": 15010.0}, parse_faults(["R7,R8=swapped"], netlist))
    assert (board.values["R7"], board.values["R8"]) == (10e3, 15010.0)


def test_reversed_turns_the_package(netlist):
    board = assemble(netlist, {}, parse_faults(["D2=reversed", "U4=reversed"], netlist))
    assert board.netlist.component("D2").net("A") == "5V"
    assert board.netlist.component("U4").net("EMIT") == "U4.1"  # where pin 5, which is not connected, should be
    assert board.netlist.component("U4").net("V+") == "GND"


def test_intermittent_joint_is_open_only_at_the_moment(netlist):
    faults = parse_faults(["R9=intermittent=0.1"], netlist)
    closed, opened = (assemble(netlist, {}, faults, joint_open=state) for state in (False, True))
    assert closed.intermittent == 0.1
    assert closed.netlist.component("R9").net("1") == "5V"
    assert opened.netlist.component("R9").net("1") == "R9.1"


def test_drawn_values_are_kept_and_scaled(netlist):
    board = assemble(netlist, {"R10": 221e3}, parse_faults(["R10=x0.1"], netlist))
    assert board.values["R10"] == pytest.approx(22.1e3)
    assert board.values["R11"] == 220e3
