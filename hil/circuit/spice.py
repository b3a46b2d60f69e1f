"""The board as a deck for a general circuit simulator: an outside check of hil.circuit.dc, used by tests only.

Diodes, transistors and MOSFETs are the simulator's own devices; regulators and the supply are behavioural sources
with the formulas in hil.circuit.devices; everything else is resistors and constant currents.
"""

import re
from collections.abc import Mapping

from hil.circuit.conditioned import (
    LEAST_SHORT_OHM,
    OHMMETER_OHM,
    SUPPLY_OHM,
    locate,
    pack_nets,
    supply_current_a,
)
from hil.circuit.conditions import Conditions
from hil.circuit.dc import SHUNT_S
from hil.circuit.devices import NOMINAL_DEGC
from hil.circuit.faults import LINK_OHM, Assembly
from hil.circuit.netlist import Component
from hil.circuit.oscillator import contacts, terminal_nets
from hil.circuit.stamps import BOND_OHM, REVERSED_LEAKAGE_OHM, SUBSTRATE_A, Values, node_names, protected_pins


def node(net: str) -> str:
    """A net's name in the deck."""
    return "0" if net == "GND" else "n_" + re.sub(r"\W", "_", net).lower()


class _Deck:
    def __init__(self) -> None:
        self.lines: list[str] = []
        self._count = 0

    def _add(self, letter: str, text: str) -> None:
        self._count += 1
        self.lines.append(f"{letter}{self._count} {text}")

    def resistor(self, a: str, b: str, ohm: float) -> None:
        if a != b:
            self._add("R", f"{node(a)} {node(b)} {ohm!r}")

    def current(self, a: str, b: str, ampere: float) -> None:
        self._add("I", f"{node(a)} {node(b)} {ampere!r}")

    def voltage(self, a: str, b: str, volt: float, ohm: float) -> None:
        self._count += 1
        self.lines += [
            f"V{self._count} v{self._count} {node(b)} {volt!r}",
            f"R{self._count} v{self._count} {node(a)} {ohm!r}",
        ]

    def behaviour(self, a: str, b: str, formula: str) -> None:
        """A current from a through the source to b."""
        self._add("B", f"{node(a)} {node(b)} I = {formula}")

    def device(self, letter: str, nodes: list[str], kind: str, model: str) -> None:
        self._count += 1
        name = f"m{self._count}"
        self.lines.append(f".model {name} {kind}({model} tnom={NOMINAL_DEGC})")
        self.lines.append(f"{letter}{self._count} {' '.join(node(net) for net in nodes)} {name}")

    def diode(self, anode: str, cathode: str, saturation_a: float, emission: float = 1.0) -> None:
        if anode != cathode:
            self.device("D", [anode, cathode], "D", f"is={saturation_a!r} n={emission!r}")


def dc_deck(
    assembly: Assembly,
    values: Values,
    conditions: Conditions,
    *,
    pulled: Mapping[str, bool],
    mode: str,
    clock_hz: float,
    output: str,
    start: Mapping[str, float] | None = None,
) -> str:
    """A deck that prints every node voltage.

    Args:
        pulled: armature of each relay.
        mode: of the microcontroller, as `Operating.mcu_mode`.
        output: comparator's output, "low", "high" or "off" (without supply).
        start: initial guesses by net; they help convergence and do not move the solution.
    """
    deck = _Deck()
    for part in assembly.netlist.components:
        _component(deck, part, values, assembly)
    for first, second in assembly.links:
        deck.resistor(first, second, LINK_OHM)
    _conditions(deck, assembly, values, conditions)
    for relay, first, second, closed in contacts(assembly, pulled):
        if closed:
            deck.resistor(first, second, values[f"{relay.designator}.contact_resistance"])
    for part in assembly.netlist.of_kind("microcontroller"):
        _microcontroller(deck, part, values, conditions, mode, clock_hz)
    for part in assembly.netlist.of_kind("comparator"):
        if output != "off":
            for pin in ("IN+", "IN-"):
                deck.current(part.net(pin), part.net("V-"), values[f"{part.designator}.bias_current"])
        if output == "low":
            deck.resistor(part.net("OUT"), part.net("EMIT"), values[f"{part.designator}.output_resistance"])
    nets = [net for net in node_names(assembly) if net != assembly.netlist.ground]
    for net in nets:
        deck.resistor(net, assembly.netlist.ground, 1 / SHUNT_S)
    guesses = [f".nodeset v({node(net)})={start[net]!r}" for net in nets if start and net in start]
    return "\n".join(
        [
            f"board {assembly.netlist.board}",
            *deck.lines,
            *guesses,
            f".options reltol=1e-6 abstol=1e-13 vntol=1e-7 gmin={SHUNT_S} itl1=1000 itl2=500",
            f".temp {values.temperature_degc}",
            ".control",
            "set numdgt=10",
            "op",
            *(f"print v({node(net)})" for net in nets),
            ".endc",
            ".end",
            "",
        ]
    )


def read_voltages(printed: str, assembly: Assembly) -> dict[str, float]:
    """Node voltages by net from what the simulator printed."""
    found = {name.lower(): float(value) for name, value in re.findall(r"v\((\w+)\) = (\S+)", printed)}
    nets = node_names(assembly)
    return {net: found[node(net)] for net in nets if node(net) in found} | {assembly.netlist.ground: 0.0}


def _component(deck: _Deck, part: Component, values: Values, assembly: Assembly) -> None:
    name = part.designator
    ends = [pin.net for pin in part.pins]
    match part.kind:
        case "resistor" | "fuse":
            deck.resistor(ends[0], ends[1], values[name])
        case "inductor":
            deck.resistor(ends[0], ends[1], values[f"{name}.resistance"])
        case "capacitor" if (name, "reversed") in assembly.flags:
            deck.resistor(ends[0], ends[1], REVERSED_LEAKAGE_OHM)
        case "diode" | "led":
            deck.diode(part.net("A"), part.net("K"), values[name], part.model["emission"])
        case "mosfet":
            drain, gate, source = part.net("D"), part.net("G"), part.net("S")
            model = f"level=1 vto={values[name]!r} kp={part.model['transconductance']!r} w=1 l=1"
            model += f" is={part.model['body_saturation_current']!r} tox=1e-7"
            deck.device("M", [drain, gate, source, source], "PMOS", model.replace(" w=1 l=1", ""))
            deck.lines[-1] += " w=1 l=1"
        case "transistor":
            nodes = [part.net("C"), part.net("B"), part.net("E")]
            model = f"is={part.model['saturation_current']!r} bf={values[name]!r} br={part.model['reverse_gain']!r}"
            deck.device("Q", nodes, "NPN", model)
        case "regulator":
            _regulator(deck, part, values)
        case "adjustable_regulator":
            _adjustable(deck, part, values)
        case "comparator":
            deck.resistor(part.net("V+"), part.net("V-"), values[f"{name}.supply_resistance"])
            for pin in ("IN+", "IN-"):
                deck.diode(part.net("V-"), part.net(pin), SUBSTRATE_A)
        case "relay_changeover" | "relay_reed":
            deck.resistor(part.net("COIL+"), part.net("COIL-"), values[name])
        case "display":
            supply, ground = part.net("VDD"), part.net("GND")
            deck.resistor(supply, ground, part.model["supply"] / values[name])
            for contact in part.pins:
                if contact.name not in ("VDD", "GND") and contact.net:
                    deck.diode(contact.net, supply, part.model["esd_saturation_current"])
                    deck.diode(ground, contact.net, part.model["esd_saturation_current"])


def _difference(plus: str, minus: str) -> str:
    plus, minus = node(plus), node(minus)
    return (
        f"(v({plus}) - v({minus}))"
        if "0" not in (plus, minus)
        else (f"v({plus})" if minus == "0" else f"(-v({minus}))")
    )


def _regulator(deck: _Deck, part: Component, values: Values) -> None:
    name, source, ground, output = part.designator, part.net("IN"), part.net("GND"), part.net("OUT")
    asked = f"max(0, {part.model['output_conductance']!r}*({values[name]!r} - {_difference(output, ground)}))"
    headroom = f"{_difference(source, output)}/{values[f'{name}.dropout_resistance']!r}"
    deck.behaviour(source, output, f"min(min({asked}, {values[f'{name}.current_limit']!r}), {headroom})")
    deck.resistor(source, ground, values[f"{name}.ground_resistance"])
    deck.diode(ground, source, SUBSTRATE_A)


def _adjustable(deck: _Deck, part: Component, values: Values) -> None:
    name, source, adjust, output = part.designator, part.net("IN"), part.net("ADJ"), part.net("OUT")
    asked = f"{part.model['output_conductance']!r}*({values[name]!r} - {_difference(output, adjust)})"
    headroom = f"({_difference(source, output)} - {part.model['dropout']!r})/{part.model['dropout_resistance']!r}"
    deck.behaviour(source, output, f"max(0, min(min({asked}, {values[f'{name}.current_limit']!r}), {headroom}))")
    across = _difference(source, adjust)
    deck.behaviour(source, adjust, f"{values[f'{name}.adjust_current']!r}*{across}/sqrt({across}*{across} + 0.01)")


def _microcontroller(
    deck: _Deck, part: Component, values: Values, conditions: Conditions, mode: str, clock_hz: float
) -> None:
    name, supply, ground, analogue = part.designator, part.net("VCC"), part.net("GND"), part.net("AVCC")
    saturation = part.model["esd_saturation_current"]
    for pin in protected_pins(part):
        deck.diode(part.net(pin), supply, saturation)
        deck.diode(ground, part.net(pin), saturation)
    for anode, cathode in ((supply, analogue), (analogue, supply), (ground, supply), (ground, part.net("PC6"))):
        deck.diode(anode, cathode, saturation)
    deck.resistor(ground, part.net("GND2"), BOND_OHM)
    deck.resistor(analogue, ground, part.model["analogue_resistance"])
    deck.resistor(part.net("AREF"), ground, values[f"{name}.reference_load"])
    deck.resistor(part.net("PC6"), supply, values[f"{name}.reset_pull_up"])
    if conditions.supply_v is not None or conditions.sources:
        deck.resistor(supply, ground, 5.0 / supply_current_a(part, values, mode, clock_hz))
    if mode != "running":
        return
    deck.resistor(analogue, part.net("AREF"), part.model["reference_switch"])
    for pin, level in conditions.pins:
        if level != "input" and pin in protected_pins(part):
            ohm = values[f"{name}.pull_up"] if level == "pullup" else values[f"{name}.driver_resistance"]
            deck.resistor(part.net(pin), ground if level == "low" else supply, ohm)


def _conditions(deck: _Deck, assembly: Assembly, values: Values, conditions: Conditions) -> None:
    for part in assembly.netlist.of_kind("switch", "key"):
        closed = conditions.switch_on if part.kind == "switch" else part.designator in conditions.keys
        if closed and (part.designator, "stuck_open") not in assembly.flags:
            deck.resistor(part.pins[0].net, part.pins[1].net, values[part.designator])
    if conditions.terminal.kind in ("short", "inductor"):
        ohm = conditions.terminal.jig_resistance_ohm + conditions.terminal.series_resistance_ohm
        deck.resistor(*terminal_nets(assembly.netlist), max(ohm, LEAST_SHORT_OHM))
    for source in conditions.sources:
        average = source.voltage_v / 2 if source.frequency_hz else source.voltage_v
        deck.voltage(locate(assembly, source.point), assembly.netlist.ground, average, source.resistance_ohm)
    for first, second, ohm in conditions.loads:
        deck.resistor(locate(assembly, first), locate(assembly, second), ohm)
    if conditions.supply_v is not None:
        plus, minus = pack_nets(assembly.netlist)
        _limited(deck, plus, minus, conditions.supply_v, conditions.supply_limit_a, SUPPLY_OHM)
    if conditions.ohmmeter is not None:
        first, second = (locate(assembly, point) for point in conditions.ohmmeter)
        _limited(deck, first, second, conditions.ohmmeter_limit_v, conditions.ohmmeter_current_a, OHMMETER_OHM)


def _limited(deck: _Deck, plus: str, minus: str, volt: float, limit_a: float, ohm: float) -> None:
    across = _difference(plus, minus)
    if volt < 0:
        deck.behaviour(minus, plus, f"max(({volt!r} - {across})/{ohm!r}, {-min(limit_a, 1e3)!r})")
    else:
        deck.behaviour(minus, plus, f"min(({volt!r} - {across})/{ohm!r}, {min(limit_a, 1e3)!r})")
