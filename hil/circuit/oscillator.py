"""From an assembly to the oscillator's network: which nodes, conductances, capacitances and coils the loop sees.

Starting from the comparator's inputs, everything passive is followed until ground, a rail (held still by its
decoupling) or the comparator's output (the source that drives the loop) is met. Relay contacts are a resistance when
closed and a capacitance when open. What is connected to the terminals belongs to the network.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from hil.circuit.faults import LINK_OHM, Assembly
from hil.circuit.netlist import Component
from hil.circuit.stamps import Values
from hil.circuit.tank import Coils, TankNetwork

TERMINAL_CAPACITANCE_F = 2e-12  # the board's own terminals and tracks; from memory
NODE_CAPACITANCE_F = 1e-15  # of any node to ground: keeps every node defined and moves nothing
INNER = (
    "terminal.inner"  # between the jig's leads and the part; the part defines it, so that it adds nothing of its own
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """What is connected between T1 and T2, with the jig's parasitics.

    ``kind`` is open, short, capacitor (value in F) or inductor (value in H). The part itself has a series
    resistance and a parallel capacitance; the jig has a capacitance across the terminals and leads in series.
    """

    kind: str = "open"
    value: float = 0.0
    series_resistance_ohm: float = 0.0
    parallel_capacitance_f: float = 0.0
    jig_capacitance_f: float = 0.0
    jig_inductance_h: float = 0.0
    jig_resistance_ohm: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in ("open", "short", "capacitor", "inductor"):
            raise ValueError(f"terminal is open, short, capacitor or inductor, not {self.kind!r}")
        if self.kind in ("capacitor", "inductor") and not self.value > 0:
            raise ValueError(f"a {self.kind} at the terminals needs a value above zero, not {self.value!r}")


def contacts(assembly: Assembly, pulled: Mapping[str, bool]) -> list[tuple[Component, str, str, bool]]:
    """Every relay contact as (relay, net, net, closed), stuck ones included."""
    found = []
    for relay in assembly.netlist.of_kind("relay_changeover", "relay_reed"):
        on = pulled[relay.designator]
        stuck_open = (relay.designator, "stuck_open") in assembly.flags
        stuck_closed = (relay.designator, "stuck_closed") in assembly.flags
        makes = (on or stuck_closed) and not stuck_open
        if relay.kind == "relay_reed":
            pairs = [("COM", "NO", makes)]
        else:
            # Stuck open: the make contacts never close. Stuck closed: they are welded, the armature stays over.
            breaks = not on and not stuck_closed
            pairs = [
                (f"COM_{pole}", f"{kind}_{pole}", state)
                for pole in "AB"
                for kind, state in (("NC", breaks), ("NO", makes))
            ]
        for common, other, closed in pairs:
            first, second = relay.net(common), relay.net(other)
            if first and second and first != second:
                found.append((relay, first, second, closed))
    return found


@dataclass(slots=True)
class _Parts:
    """Two-terminal elements between named nodes."""

    resistors: list[tuple[str, str, float]] = field(default_factory=list)  # ohm
    capacitors: list[tuple[str, str, float]] = field(default_factory=list)  # F
    coils: list[tuple[str, str, float, float, float, float, float]] = field(default_factory=list)


def tank_network(
    assembly: Assembly, values: Values, pulled: Mapping[str, bool], terminal: Terminal
) -> tuple[TankNetwork, float] | None:
    """The network and an estimate of its resonance in rad/s; None when the comparator or the terminals are absent."""
    netlist = assembly.netlist
    comparators = netlist.of_kind("comparator")
    if not comparators:
        return None
    comparator = comparators[0]
    output, sense, minus = (comparator.net(pin) for pin in ("OUT", "IN+", "IN-"))
    parts = _parts(assembly, values, pulled, terminal)
    for net in (sense, minus):
        parts.capacitors.append((net, netlist.ground, comparator.model["input_capacitance"]))
    still = {netlist.ground, *netlist.rails}
    if sense in still or output in (sense, minus) or sense == minus:
        return None
    nodes = _reachable(parts, [net for net in (sense, minus) if net not in still], still | {output})
    index = {name: number for number, name in enumerate(nodes)}
    size = len(nodes)
    g, c = np.zeros((size, size)), np.diag([0.0 if name == INNER else NODE_CAPACITANCE_F for name in nodes])
    drive_g, drive_c = np.zeros(size), np.zeros(size)
    for target, drive, elements in (
        (g, drive_g, [(a, b, 1 / r) for a, b, r in parts.resistors]),
        (c, drive_c, parts.capacitors),
    ):
        for a, b, value in elements:
            for first, second in ((a, b), (b, a)):
                if first in index:
                    target[index[first], index[first]] += value
                    if second in index:
                        target[index[first], index[second]] -= value
                    elif second == output:
                        drive[index[first]] += value
    coils = [coil for coil in parts.coils if coil[0] != coil[1] and (coil[0] in index or coil[1] in index)]
    if not coils:
        return None
    weights = np.zeros(size)
    weights[index[sense]] = 1.0
    if minus in index:
        weights[index[minus]] = -1.0
    network = TankNetwork(g, c, _coils(coils, index), drive_g, drive_c, weights)
    return network, _guess(network, parts, index, still, sense)


def _coils(coils: list[tuple[str, str, float, float, float, float, float]], index: Mapping[str, int]) -> Coils:
    size = len(index)
    patterns = np.zeros((len(coils), size, size))
    for pattern, (a, b, *_rest) in zip(patterns, coils, strict=True):
        ends = [(index[net], sign) for net, sign in ((a, 1.0), (b, -1.0)) if net in index]
        for row, first in ends:
            for column, second in ends:
                pattern[row, column] += first * second
    numbers = np.array([coil[2:] for coil in coils]).T
    return Coils(patterns.reshape(len(coils), -1), *numbers)


def _guess(network: TankNetwork, parts: _Parts, index: Mapping[str, int], still: set[str], sense: str) -> float:
    """A first estimate of the resonance, rad/s: all coils in series, and what closed paths put across the tank."""
    inductance = sum(value for value in network.coils.inductance_h if value > 1e-6) or 1e-6
    joined = _joined(parts, index)
    capacitance = NODE_CAPACITANCE_F
    for a, b, value in parts.capacitors:
        ends = {joined.get(a, a), joined.get(b, b)}
        if joined[sense] in ends and ends & still and value < 5e-6:
            capacitance += value
    return 1 / math.sqrt(inductance * capacitance)


def _joined(parts: _Parts, index: Mapping[str, int]) -> dict[str, str]:
    """Nodes that small resistances or large capacitors make one, each under the name of one of them."""
    name = {node: node for node in index}
    for a, b in (
        *((a, b) for a, b, ohm in parts.resistors if ohm < 100),
        *((a, b) for a, b, farad in parts.capacitors if farad > 2e-6),
        *((coil[0], coil[1]) for coil in parts.coils if coil[2] < 1e-6),
    ):
        if a in name and b in name and name[a] != name[b]:
            old, new = name[a], name[b]
            name = {node: new if under == old else under for node, under in name.items()}
    return name


def _reachable(parts: _Parts, start: list[str], stop: set[str]) -> list[str]:
    neighbours: dict[str, list[str]] = {}
    for a, b in (
        *((a, b) for a, b, _ in parts.resistors),
        *((a, b) for a, b, _ in parts.capacitors),
        *((coil[0], coil[1]) for coil in parts.coils),
    ):
        neighbours.setdefault(a, []).append(b)
        neighbours.setdefault(b, []).append(a)
    found, waiting = dict.fromkeys(start), list(start)
    while waiting:
        for node in neighbours.get(waiting.pop(), ()):
            if node not in found and node not in stop:
                found[node] = None
                waiting.append(node)
    return list(found)


def _parts(assembly: Assembly, values: Values, pulled: Mapping[str, bool], terminal: Terminal) -> _Parts:
    parts = _Parts()
    netlist = assembly.netlist
    for part in netlist.of_kind("resistor"):
        parts.resistors.append((part.pins[0].net, part.pins[1].net, values[part.designator]))
    for part in netlist.of_kind("capacitor"):
        parts.capacitors.append((part.pins[0].net, part.pins[1].net, values[part.designator]))
    for part in netlist.of_kind("inductor"):
        name, a, b = part.designator, part.pins[0].net, part.pins[1].net
        reference, inductance, dc = part.model["q_frequency"], values[name], values[f"{name}.resistance"]
        total = 2 * math.pi * reference * inductance / values[f"{name}.q"]
        ac = max(total - dc, 0.0)
        parts.coils.append((a, b, inductance, dc, ac, reference, part.model["loss_exponent"]))
        if part.model["parallel_capacitance"]:
            parts.capacitors.append((a, b, part.model["parallel_capacitance"]))
    for relay, a, b, closed in contacts(assembly, pulled):
        if closed:
            parts.resistors.append((a, b, values[f"{relay.designator}.contact_resistance"]))
        else:
            parts.capacitors.append((a, b, values[f"{relay.designator}.contact_capacitance"]))
    parts.resistors += [(a, b, LINK_OHM) for a, b in assembly.links]
    _connect(parts, terminal, *terminal_nets(assembly))
    return parts


def terminal_nets(assembly: Assembly) -> tuple[str, str]:
    """Nets of T1 and T2."""
    for part in assembly.netlist.of_kind("connector"):
        names = {pin.name: pin.net for pin in part.pins}
        if "T1" in names and "T2" in names:
            return names["T1"], names["T2"]
    raise ValueError(f"board {assembly.netlist.board} has no connector with pins T1 and T2; name them so in its file")


def _connect(parts: _Parts, terminal: Terminal, first: str, second: str) -> None:
    """Jig and part: capacitance across the terminals, then leads, then the part."""
    parts.capacitors.append((first, second, TERMINAL_CAPACITANCE_F + terminal.jig_capacitance_f))
    if terminal.kind == "open":
        return
    resistance = terminal.jig_resistance_ohm + terminal.series_resistance_ohm
    lead = terminal.jig_inductance_h
    if terminal.kind == "short":
        if lead > 0:
            parts.coils.append((first, second, lead, max(resistance, 1e-3), 0.0, 1e6, 0.0))
        else:
            parts.resistors.append((first, second, max(resistance, 1e-3)))
    elif terminal.kind == "capacitor":
        node = INNER
        if lead > 0:
            parts.coils.append((first, node, lead, max(resistance, 1e-6), 0.0, 1e6, 0.0))
        elif resistance > 0:
            parts.resistors.append((first, node, resistance))
        else:
            node = first
        parts.capacitors.append((node, second, terminal.value + terminal.parallel_capacitance_f))
    else:
        node = INNER if terminal.parallel_capacitance_f and (lead or terminal.jig_resistance_ohm) else first
        inductance, own = terminal.value, max(terminal.series_resistance_ohm, 1e-6)
        if node == first:
            parts.coils.append((first, second, inductance + lead, own + terminal.jig_resistance_ohm, 0.0, 1e6, 0.0))
        else:
            parts.coils.append((first, node, max(lead, 1e-12), max(terminal.jig_resistance_ohm, 1e-6), 0.0, 1e6, 0.0))
            parts.coils.append((node, second, inductance, own, 0.0, 1e6, 0.0))
        if terminal.parallel_capacitance_f:
            parts.capacitors.append((node, second, terminal.parallel_capacitance_f))
