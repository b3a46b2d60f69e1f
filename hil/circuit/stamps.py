"""From an assembly (netlist, values, solder links) to the network for direct current.

`base_network` holds what no condition changes. What conditions decide (switch and keys, pin drivers, relay contacts,
the comparator's output, the supply current of the microcontroller) is stamped onto a copy by hil.circuit.board.
"""

from hil.circuit import devices
from hil.circuit.dc import Branch, Junction, LimitedBranch, Network, thermal_voltage_v
from hil.circuit.faults import LINK_OHM, Assembly
from hil.circuit.netlist import Component

SUBSTRATE_A = 1e-14  # saturation current of a substrate diode; an assumption, no source
REVERSED_LEAKAGE_OHM = 1e3  # an electrolytic capacitor fitted the wrong way round; an assumption, no source
BOND_OHM = 0.1  # between the two ground pins inside a circuit; an assumption, no source


class Values:
    """True values at a temperature."""

    def __init__(self, assembly: Assembly, temperature_degc: float) -> None:
        netlist = assembly.netlist
        rise_k = temperature_degc - netlist.reference_temperature_degc
        self._values = {
            p.name: assembly.values[p.name] * (1 + p.temperature_coefficient * rise_k) for p in netlist.parameters()
        }
        self.temperature_degc = temperature_degc
        self.thermal_v = thermal_voltage_v(temperature_degc)

    def __getitem__(self, name: str) -> float:
        return self._values[name]


def node_names(assembly: Assembly) -> tuple[str, ...]:
    """Ground first, then every net, with nets that only a test point still knows."""
    names = dict.fromkeys(assembly.netlist.nets())
    names.update(dict.fromkeys(assembly.netlist.test_points.values()))
    return tuple(names)


def base_network(assembly: Assembly, values: Values) -> Network:
    """Everything that holds under all conditions."""
    network = Network(node_names(assembly))
    for component in assembly.netlist.components:
        stamp = _STAMPS.get(component.kind)
        if stamp is not None:
            stamp(network, component, values)
    for designator, flag in assembly.flags:
        component = assembly.netlist.component(designator)
        if flag == "reversed" and component.kind == "capacitor":
            network.conductance(component.pins[0].net, component.pins[1].net, 1 / REVERSED_LEAKAGE_OHM)
    for first, second in assembly.links:
        network.conductance(first, second, 1 / LINK_OHM)
    return network


def _resistor(network: Network, part: Component, values: Values) -> None:
    network.conductance(part.pins[0].net, part.pins[1].net, 1 / values[part.designator])


def _inductor(network: Network, part: Component, values: Values) -> None:
    network.conductance(part.pins[0].net, part.pins[1].net, 1 / values[f"{part.designator}.resistance"])


def _diode(network: Network, part: Component, values: Values) -> None:
    emission = part.model["emission"]
    saturation = devices.saturation_a(values[part.designator], emission, values.temperature_degc)
    network.diode(part.net("A"), part.net("K"), saturation, emission * values.thermal_v)


def _mosfet(network: Network, part: Component, values: Values) -> None:
    gate, source, drain = part.net("G"), part.net("S"), part.net("D")
    law = devices.p_channel(values[part.designator], part.model["transconductance"])
    network.branches.append(Branch(drain, source, ((gate, source), (drain, source)), law))
    saturation = devices.saturation_a(part.model["body_saturation_current"], 1, values.temperature_degc)
    network.diode(drain, source, saturation, values.thermal_v)


def _transistor(network: Network, part: Component, values: Values) -> None:
    base, emitter, collector = part.net("B"), part.net("E"), part.net("C")
    saturation = devices.saturation_a(part.model["saturation_current"], 1, values.temperature_degc)
    forward, backward = values[part.designator], part.model["reverse_gain"]
    slope = values.thermal_v
    network.junctions.append(
        Junction(
            base, emitter, saturation, slope,
            ((collector, 1.0), (base, 1 / forward), (emitter, -1 - 1 / forward)),
        )
    )  # fmt: skip
    network.junctions.append(
        Junction(
            base, collector, saturation, slope,
            ((emitter, 1.0), (base, 1 / backward), (collector, -1 - 1 / backward)),
        )
    )  # fmt: skip


def _regulator(network: Network, part: Component, values: Values) -> None:
    name, source, ground, output = part.designator, part.net("IN"), part.net("GND"), part.net("OUT")
    law = devices.low_dropout(
        values[name],
        values[f"{name}.current_limit"],
        values[f"{name}.dropout_resistance"],
        part.model["output_conductance"],
    )
    network.limited.append(LimitedBranch(source, output, ((output, ground), (source, output)), law))
    network.conductance(source, ground, 1 / values[f"{name}.ground_resistance"])
    saturation = devices.saturation_a(SUBSTRATE_A, 1, values.temperature_degc)
    network.diode(ground, source, saturation, values.thermal_v)


def _adjustable(network: Network, part: Component, values: Values) -> None:
    name, source, adjust, output = part.designator, part.net("IN"), part.net("ADJ"), part.net("OUT")
    law = devices.emitter_follower(
        values[name],
        values[f"{name}.current_limit"],
        part.model["dropout"],
        part.model["dropout_resistance"],
        part.model["output_conductance"],
    )
    network.limited.append(LimitedBranch(source, output, ((output, adjust), (source, output)), law))
    bias = devices.adjust_current(values[f"{name}.adjust_current"])
    network.branches.append(Branch(source, adjust, ((source, adjust),), bias))


def protected_pins(part: Component) -> list[str]:
    """Names of a microcontroller's connected port pins: those with protection diodes to both supplies."""
    plain = ("VCC", "GND", "GND2", "AVCC", "PC6")
    return [pin.name for pin in part.pins if pin.net and pin.name not in plain]


def _microcontroller(network: Network, part: Component, values: Values) -> None:
    name, supply, ground = part.designator, part.net("VCC"), part.net("GND")
    saturation = devices.saturation_a(part.model["esd_saturation_current"], 1, values.temperature_degc)
    for pin in protected_pins(part):
        network.diode(part.net(pin), supply, saturation, values.thermal_v)
        network.diode(ground, part.net(pin), saturation, values.thermal_v)
    # The analogue supply is joined to the digital one by diodes inside; the reset pin has none upwards.
    for anode, cathode in ((supply, part.net("AVCC")), (part.net("AVCC"), supply), (ground, supply)):
        network.diode(anode, cathode, saturation, values.thermal_v)
    network.diode(ground, part.net("PC6"), saturation, values.thermal_v)
    network.conductance(ground, part.net("GND2"), 1 / BOND_OHM)
    network.conductance(part.net("AVCC"), ground, 1 / part.model["analogue_resistance"])
    network.conductance(part.net("AREF"), ground, 1 / values[f"{name}.reference_load"])
    network.conductance(part.net("PC6"), supply, 1 / values[f"{name}.reset_pull_up"])


def _comparator(network: Network, part: Component, values: Values) -> None:
    network.conductance(part.net("V+"), part.net("V-"), 1 / values[f"{part.designator}.supply_resistance"])
    saturation = devices.saturation_a(SUBSTRATE_A, 1, values.temperature_degc)
    for pin in ("IN+", "IN-"):
        network.diode(part.net("V-"), part.net(pin), saturation, values.thermal_v)


def _coil(network: Network, part: Component, values: Values) -> None:
    network.conductance(part.net("COIL+"), part.net("COIL-"), 1 / values[part.designator])


def _display(network: Network, part: Component, values: Values) -> None:
    supply, ground = part.net("VDD"), part.net("GND")
    network.conductance(supply, ground, values[part.designator] / part.model["supply"])
    saturation = devices.saturation_a(part.model["esd_saturation_current"], 1, values.temperature_degc)
    for pin in part.pins:
        if pin.name not in ("VDD", "GND") and pin.net:
            network.diode(pin.net, supply, saturation, values.thermal_v)
            network.diode(ground, pin.net, saturation, values.thermal_v)


_STAMPS = {
    "resistor": _resistor,
    # Never trips: no supply here gives more than 0.15 A (hil.app.power), and a fuse of 1.5 ohm holds more than that.
    "fuse": _resistor,
    "inductor": _inductor,
    "diode": _diode,
    "led": _diode,
    "mosfet": _mosfet,
    "transistor": _transistor,
    "regulator": _regulator,
    "adjustable_regulator": _adjustable,
    "microcontroller": _microcontroller,
    "comparator": _comparator,
    "relay_changeover": _coil,
    "relay_reed": _coil,
    "display": _display,
}
