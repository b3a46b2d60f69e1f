"""From an assembly to the oscillator's network: which nodes, conductances, capacitances and coils the loop sees.

Starting from the comparator's inputs, everything passive is followed until ground, a rail (held still by its
decoupling) or the comparator's output (the source that drives the loop) is met. Relay contacts are a resistance when
closed and a capacitance when open. What is connected to the terminals belongs to the network.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from hil.circuit.faults import LINK_OHM, Assembly
from hil.circuit.netlist import Component, Netlist
from hil.circuit.stamps import Values
from hil.circuit.tank import Coils, Complexes, TankNetwork

TERMINAL_CAPACITANCE_F = 2e-12  # the board's own terminals and tracks; from memory
NODE_CAPACITANCE_F = 1e-15  # of any node to ground: keeps every node defined and moves nothing
COUPLING_LEAST_F = 2e-6  # larger capacitors couple, smaller ones tune: the largest that the meter measures is 1.1 uF
LEAD_MOST_H = 3e-7  # larger inductances tune, smaller ones are leads
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


# Resistance, capacitance or coil between two nets; a coil is (inductance, dc, ac, reference, exponent) as in `Coils`.
Resistors = list[tuple[str, str, float]]
Capacitors = list[tuple[str, str, float]]
CoilList = list[tuple[str, str, tuple[float, float, float, float, float]]]


@dataclass(slots=True)
class _Parts:
    """Two-terminal elements between named nodes."""

    resistors: Resistors = field(default_factory=list)  # ohm
    capacitors: Capacitors = field(default_factory=list)  # F
    coils: CoilList = field(default_factory=list)

    def between(self) -> Iterator[tuple[str, str]]:
        for elements in (self.resistors, self.capacitors, self.coils):
            for a, b, _ in elements:
                yield a, b


class TankBoard:
    """The board's own share of the network for one temperature and one position of the relays.

    Raises nothing: ``index`` is empty where a fault leaves no loop to speak of.
    """

    def __init__(self, assembly: Assembly, values: Values, pulled: Mapping[str, bool]) -> None:
        netlist = assembly.netlist
        self.terminals = terminal_nets(netlist)
        self.index: dict[str, int] = {}
        comparator = netlist.of_kind("comparator")[0]
        self.output, sense, minus = (comparator.net(pin) for pin in ("OUT", "IN+", "IN-"))
        self.still = {netlist.ground, *netlist.rails}
        if sense in self.still or self.output in (sense, minus) or sense == minus:
            return
        parts = _board_parts(assembly, values, pulled)
        for net in (sense, minus):
            parts.capacitors.append((net, netlist.ground, comparator.model["input_capacitance"]))
        starts = [net for net in (sense, minus) if net not in self.still]
        nodes = _reachable(parts, starts, self.still | {self.output})
        self.index = {name: number for number, name in enumerate(nodes)}
        self.sense = np.zeros(len(nodes))
        self.sense[self.index[sense]] = 1.0
        if minus in self.index:
            self.sense[self.index[minus]] = -1.0
        self.hot = _joined(parts, self.index)
        self.hot_name = self.hot[sense]
        self.parts = self._relevant(parts)
        self.basis = np.zeros((2 + len(self.parts.coils), len(nodes), len(nodes)), dtype=complex)
        self.drive = np.zeros((2, len(nodes)), dtype=complex)
        self._stamp(self.parts, self.index, self.basis, self.drive)
        self.basis[1] += NODE_CAPACITANCE_F * np.eye(len(nodes))
        self.capacitance_f = self._across(self.parts.capacitors)

    def _relevant(self, parts: _Parts) -> _Parts:
        def touches(a: str, b: str) -> bool:
            return a != b and (a in self.index or b in self.index)

        return _Parts(
            [element for element in parts.resistors if touches(*element[:2])],
            [element for element in parts.capacitors if touches(*element[:2])],
            [element for element in parts.coils if touches(*element[:2])],
        )

    def _stamp(
        self, parts: _Parts, index: Mapping[str, int], basis: Complexes, drive: Complexes, first_coil: int = 2
    ) -> None:
        """Put these elements into basis and drive."""
        elements = [
            *((0, a, b, 1 / ohm) for a, b, ohm in parts.resistors),
            *((1, a, b, farad) for a, b, farad in parts.capacitors),
            *((number, a, b, 1.0) for number, (a, b, _) in enumerate(parts.coils, first_coil)),
        ]
        for row, a, b, value in elements:
            for first, second in ((a, b), (b, a)):
                at = index.get(first)
                if at is None:
                    continue
                basis[row, at, at] += value
                if second in index:
                    basis[row, at, index[second]] -= value
                elif second == self.output and row < 2:
                    drive[row, at] += value

    def _across(self, capacitors: Capacitors) -> float:
        """Capacitance that is directly across the tank, F: for a first estimate of the resonance."""
        total = 0.0
        for a, b, farad in capacitors:
            ends = {self.hot.get(a, a), self.hot.get(b, b)}
            if self.hot_name in ends and ends & self.still and farad < COUPLING_LEAST_F:
                total += farad
        return total

    def with_terminal(self, terminal: Terminal) -> tuple[TankNetwork, float] | None:
        """The whole network and a first estimate of its resonance, rad/s; None when there is no loop or no coil."""
        if not self.index:
            return None
        first, second = self.terminals
        inside = _Parts()
        _connect(inside, terminal, first, second)
        inside = self._reach(inside)
        index = self.index
        if any(INNER in pair for pair in inside.between()):
            index = index | {INNER: len(index)}
        coils = [coil[2] for coil in (*self.parts.coils, *inside.coils)]
        if not coils:
            return None
        size, own = len(index), len(self.index)
        basis = np.zeros((2 + len(coils), size, size), dtype=complex)
        drive, sense = np.zeros((2, size), dtype=complex), np.zeros(size, dtype=complex)
        basis[: len(self.basis), :own, :own] = self.basis
        drive[:, :own], sense[:own] = self.drive, self.sense
        self._stamp(inside, index, basis, drive, len(self.basis))
        network = TankNetwork(basis.reshape(len(basis), -1), drive, Coils(*np.array(coils).T), sense)
        capacitance = NODE_CAPACITANCE_F + self.capacitance_f
        if self.hot.get(first) == self.hot_name:
            capacitance += sum(farad for _, _, farad in inside.capacitors)
        inductance = sum(coil[0] for coil in coils if coil[0] > LEAD_MOST_H) or LEAD_MOST_H
        return network, 1 / math.sqrt(inductance * capacitance)

    def _reach(self, inside: _Parts) -> _Parts:
        """Nothing at terminals that the loop does not reach, or of which one hangs in the air behind an open joint."""
        ends = set(self.terminals)
        is_reached = ends & set(self.index) and ends <= {*self.index, *self.still}
        return inside if is_reached else _Parts()


def _joined(parts: _Parts, index: Mapping[str, int]) -> dict[str, str]:
    """Nodes that small resistances or large capacitors make one, each under the name of one of them."""
    name = {node: node for node in index}
    for a, b in (
        *((a, b) for a, b, ohm in parts.resistors if ohm < 100),
        *((a, b) for a, b, farad in parts.capacitors if farad > COUPLING_LEAST_F),
    ):
        if a in name and b in name and name[a] != name[b]:
            old, new = name[a], name[b]
            name = {node: new if under == old else under for node, under in name.items()}
    return name


def _reachable(parts: _Parts, start: list[str], stop: set[str]) -> list[str]:
    neighbours: dict[str, list[str]] = {}
    for a, b in parts.between():
        neighbours.setdefault(a, []).append(b)
        neighbours.setdefault(b, []).append(a)
    found, waiting = dict.fromkeys(start), list(start)
    while waiting:
        for node in neighbours.get(waiting.pop(), ()):
            if node not in found and node not in stop:
                found[node] = None
                waiting.append(node)
    return list(found)


def _board_parts(assembly: Assembly, values: Values, pulled: Mapping[str, bool]) -> _Parts:
    parts = _Parts()
    netlist = assembly.netlist
    for part in netlist.of_kind("resistor"):
        parts.resistors.append((part.pins[0].net, part.pins[1].net, values[part.designator]))
    for part in netlist.of_kind("capacitor"):
        parts.capacitors.append((part.pins[0].net, part.pins[1].net, values[part.designator]))
    for part in netlist.of_kind("inductor"):
        name, a, b = part.designator, part.pins[0].net, part.pins[1].net
        reference, inductance, dc = part.model["q_frequency"], values[name], values[f"{name}.resistance"]
        ac = max(2 * math.pi * reference * inductance / values[f"{name}.q"] - dc, 0.0)
        parts.coils.append((a, b, (inductance, dc, ac, reference, part.model["loss_exponent"])))
        if part.model["parallel_capacitance"]:
            parts.capacitors.append((a, b, part.model["parallel_capacitance"]))
    for relay, a, b, closed in contacts(assembly, pulled):
        if closed:
            parts.resistors.append((a, b, values[f"{relay.designator}.contact_resistance"]))
        else:
            parts.capacitors.append((a, b, values[f"{relay.designator}.contact_capacitance"]))
    parts.resistors += [(a, b, LINK_OHM) for a, b in assembly.links]
    return parts


def terminal_nets(netlist: Netlist) -> tuple[str, str]:
    """Nets of T1 and T2."""
    return netlist.connector_nets("T1", "T2")


def _connect(parts: _Parts, terminal: Terminal, first: str, second: str) -> None:
    """Jig and part: capacitance across the terminals, then leads, then the part."""
    parts.capacitors.append((first, second, TERMINAL_CAPACITANCE_F + terminal.jig_capacitance_f))
    if terminal.kind == "open":
        return
    resistance = terminal.jig_resistance_ohm + terminal.series_resistance_ohm
    lead = terminal.jig_inductance_h
    if terminal.kind == "short":
        if lead > 0:
            parts.coils.append((first, second, _wire(lead, max(resistance, 1e-3))))
        else:
            parts.resistors.append((first, second, max(resistance, 1e-3)))
    elif terminal.kind == "capacitor":
        node = INNER
        if lead > 0:
            parts.coils.append((first, node, _wire(lead, max(resistance, 1e-6))))
        elif resistance > 0:
            parts.resistors.append((first, node, resistance))
        else:
            node = first
        parts.capacitors.append((node, second, terminal.value + terminal.parallel_capacitance_f))
    else:
        node = INNER if terminal.parallel_capacitance_f and (lead or terminal.jig_resistance_ohm) else first
        inductance, own = terminal.value, max(terminal.series_resistance_ohm, 1e-6)
        if node == first:
            parts.coils.append((first, second, _wire(inductance + lead, own + terminal.jig_resistance_ohm)))
        else:
            parts.coils.append((first, node, _wire(max(lead, 1e-12), max(terminal.jig_resistance_ohm, 1e-6))))
            parts.coils.append((node, second, _wire(inductance, own)))
        if terminal.parallel_capacitance_f:
            parts.capacitors.append((node, second, terminal.parallel_capacitance_f))


def _wire(inductance_h: float, resistance_ohm: float) -> tuple[float, float, float, float, float]:
    """A coil whose loss does not depend on frequency."""
    return inductance_h, resistance_ohm, 0.0, 1e6, 0.0
