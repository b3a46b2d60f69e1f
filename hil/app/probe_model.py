"""What probes read on a board with a fault, from the circuit model: what a fault dictionary knows besides the checks.

voltage POINT        against GND, unit on at nominal supply, terminals open, through a voltmeter's input
frequency TP_COMP    likewise, by counter
resistance PART      across a two-terminal part, power off, + at its first pin; leads at the legs of the part, so that
                     behind an open joint they read the part alone, and a part that is not there reads nothing

Points are test points, nets and the pins of everything with more than two of them, so that a joint that is open can be
told from a part that is dead.
"""

import math
from collections.abc import Collection, Mapping
from dataclasses import replace

from hil.app.power import LIMIT_A, NOMINAL_V
from hil.circuit.board import BoardModel, Conditions
from hil.circuit.netlist import Netlist
from hil.core.diagnosis import OVER_RANGE_OHM
from hil.sim.instruments.measuring import INPUT_OHM
from hil.sim.nominal import Nominal

FREQUENCY = "frequency TP_COMP"
# What the firmware drives when nothing is asked of it: fixtures/firmware/bench_port.md, pins; display at rest.
IDLE_PINS = (
    ("PB0", "low"), ("PB1", "low"), ("PB2", "high"), ("PB3", "low"), ("PB5", "low"), ("PC2", "low"), ("PC3", "high"),
    ("PD1", "high"), ("PD2", "pullup"), ("PD3", "pullup"), ("PD5", "high"), ("PD6", "low"),
)  # fmt: skip


def probe_names(netlist: Netlist) -> tuple[str, ...]:
    """All probes of a board."""
    named = {net: point for point, net in netlist.test_points.items()}
    nets = [named.get(net, net) for net in netlist.nets() if net != netlist.ground]
    pins = [
        f"{one.designator}.{pin.number}"
        for one in netlist.components
        if len(one.pins) > 2
        for pin in one.pins
        if pin.net
    ]
    across = [
        one.designator for one in netlist.components if len(one.pins) == 2 and one.kind not in ("connector", "key")
    ]
    return (
        *(f"resistance {name}" for name in across),
        FREQUENCY,
        *(f"voltage {point}" for point in (*nets, *pins)),
    )  # fmt: skip


def points_of(probe: str) -> str:
    """Where the leads go, in the words of the bench: ``R5.1:R5.2`` for a resistance across R5."""
    kind, _, point = probe.partition(" ")
    return f"{point}.1:{point}.2" if kind == "resistance" else point


def unit_of(probe: str) -> str:
    """Unit of a probe."""
    return {"voltage": "V", "resistance": "ohm", "frequency": "Hz"}[probe.partition(" ")[0]]


def weak_points(netlist: Netlist) -> frozenset[str]:
    """Points that a voltmeter's input pulls down where the board is sound."""
    nominal, sound = Nominal(netlist, INPUT_OHM), BoardModel(netlist, {})
    points = [name.partition(" ")[2] for name in probe_names(netlist) if name.startswith("voltage")]
    return frozenset(point for point in points if not nominal.is_stiff(sound, point))


def probe_values(model: BoardModel, weak: Collection[str]) -> Mapping[str, float]:
    """What every probe reads on this board, noise apart; over range is `OVER_RANGE_OHM`.

    Args:
        weak: `weak_points` of the netlist. The voltmeter's input counts there, and at the parts that are faulty.
    """
    faulty = {one for fault in model.faults for one in fault.components}
    nets = {pin.net for one in faulty for pin in model.netlist.component(one).pins}
    points = {net: point for point, net in model.netlist.test_points.items()}
    suspect = set(weak) | {points.get(net, net) for net in nets if net not in model.netlist.rails}
    blank = any(fault.effect == "blank" for fault in model.faults)
    on = Conditions(
        supply_v=NOMINAL_V, supply_limit_a=LIMIT_A, pins=IDLE_PINS, mcu="blank" if blank else "running"
    )  # fmt: skip
    found = {}
    for name in probe_names(model.netlist):
        kind, _, point = name.partition(" ")
        if kind == "frequency":
            found[name] = model.oscillate(on).frequency_hz
        elif kind == "voltage":
            is_loaded = point in suspect or point.partition(".")[0] in faulty
            seen = replace(on, loads=((point, model.netlist.ground, INPUT_OHM),)) if is_loaded else on
            found[name] = model.solve(seen).voltage_v(point)
        else:
            high, _, low = points_of(name).partition(":")
            ohm = model.solve(Conditions(mcu="reset", ohmmeter=(high, low))).resistance_ohm
            found[name] = OVER_RANGE_OHM if ohm is None or math.isinf(ohm) else max(ohm, 0.0)
    return found
