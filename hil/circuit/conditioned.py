"""Stamps what the conditions decide onto a copy of the base network: supply, switch, keys, pins, contacts, output."""

from collections.abc import Mapping

from hil.circuit.conditions import Conditions
from hil.circuit.dc import LimitedBranch, Network
from hil.circuit.devices import limited_source
from hil.circuit.faults import Assembly
from hil.circuit.netlist import Component, Netlist
from hil.circuit.oscillator import terminal_nets
from hil.circuit.stamped import Stamped
from hil.circuit.stamps import Values

SUPPLY_OHM = 0.01  # the supply's leads
OHMMETER_OHM = 10.0
RESET_CURRENT_SHARE = 0.35  # of the running current, while held in reset with the clock on; from memory
BLANK_CLOCK_HZ = 1e6  # a fresh part runs from its internal oscillator, 8 MHz divided by 8
LEAST_SHORT_OHM = 1e-3


def pack_nets(netlist: Netlist) -> tuple[str, str]:
    """Nets of the pack connector's two pins."""
    return netlist.connector_nets("PACK+", "PACK-")


def locate(assembly: Assembly, point: str) -> str:
    """Net of a net, test point or pin name.

    Raises:
        ValueError: no such point.
    """
    netlist = assembly.netlist
    if point in netlist.test_points:
        return netlist.test_points[point]
    if "." in point:
        designator, _, pin = point.partition(".")
        component = netlist.component(designator)
        net = component.net(pin)
        if not net:
            raise ValueError(f"pin {point} is not connected")
        return net
    if point in netlist.nets():
        return point
    raise ValueError(
        f"there is no point {point!r}; test points: {', '.join(netlist.test_points)}, GND, or pins like U3.4"
    )


def conditioned(stamped: Stamped, conditions: Conditions, *, pulled: Mapping[str, bool], mode: str) -> Network:
    """A copy of the board's network under the conditions, with the comparator's output open."""
    network = stamped.network.copy()
    assembly, netlist = stamped.assembly, stamped.netlist
    _switches(network, stamped, conditions)
    for first, second, siemens in stamped.closed_contacts(pulled):
        network.conductance(first, second, siemens)
    for part in netlist.of_kind("microcontroller"):
        _microcontroller(network, part, stamped, conditions, mode)
    _terminal(network, conditions, *terminal_nets(netlist))
    for source in conditions.sources:
        average = source.voltage_v / 2 if source.frequency_hz else source.voltage_v
        network.voltage(locate(assembly, source.point), netlist.ground, average, source.resistance_ohm)
    for first, second, ohm in conditions.loads:
        network.conductance(locate(assembly, first), locate(assembly, second), 1 / ohm)
    if conditions.supply_v is not None:
        plus, minus = pack_nets(netlist)
        law = limited_source(conditions.supply_v, conditions.supply_limit_a, SUPPLY_OHM)
        network.limited.append(LimitedBranch(minus, plus, ((plus, minus),), law))
    if conditions.ohmmeter is not None:
        first, second = (locate(assembly, point) for point in conditions.ohmmeter)
        law = limited_source(conditions.ohmmeter_limit_v, conditions.ohmmeter_current_a, OHMMETER_OHM)
        network.limited.append(LimitedBranch(second, first, ((first, second),), law))
    return network


def _switches(network: Network, stamped: Stamped, conditions: Conditions) -> None:
    for part in stamped.netlist.of_kind("switch", "key"):
        name = part.designator
        closed = conditions.switch_on if part.kind == "switch" else name in conditions.keys
        if closed and (name, "stuck_open") not in stamped.assembly.flags:
            network.conductance(part.pins[0].net, part.pins[1].net, 1 / stamped.values[name])


def supply_current_a(part: Component, values: Values, mode: str, clock_hz: float) -> float:
    """Current of the microcontroller at 5 V, A. `mode` is running, reset, blank or stopped (no clock)."""
    name = part.designator
    per_hz = values[name] / 1e6
    dynamic = {
        "running": per_hz * clock_hz,
        "reset": RESET_CURRENT_SHARE * per_hz * clock_hz,
        "blank": per_hz * BLANK_CLOCK_HZ,
    }
    return values[f"{name}.static_current"] + dynamic.get(mode, 0.0)


def _microcontroller(network: Network, part: Component, stamped: Stamped, conditions: Conditions, mode: str) -> None:
    name, supply, ground, values = part.designator, part.net("VCC"), part.net("GND"), stamped.values
    if conditions.supply_v is not None or conditions.sources:  # at an ohmmeter's tenths of a volt it draws nothing
        network.conductance(supply, ground, supply_current_a(part, values, mode, stamped.clock_hz) / 5.0)
    if mode != "running":
        return
    network.conductance(part.net("AVCC"), part.net("AREF"), 1 / part.model["reference_switch"])
    nets = stamped.port_nets[name]
    siemens = {"pullup": 1 / values[f"{name}.pull_up"]}
    siemens["low"] = siemens["high"] = 1 / values[f"{name}.driver_resistance"]
    for pin, level in conditions.pins:
        if pin in nets and level != "input":
            network.conductance(nets[pin], ground if level == "low" else supply, siemens[level])


def _terminal(network: Network, conditions: Conditions, first: str, second: str) -> None:
    terminal = conditions.terminal
    if terminal.kind in ("short", "inductor"):
        ohm = terminal.jig_resistance_ohm + terminal.series_resistance_ohm
        network.conductance(first, second, 1 / max(ohm, LEAST_SHORT_OHM))


def power_comparator(network: Network, part: Component, values: Values, *, output_low: bool) -> Network:
    """A copy with a powered comparator: input bias, and the output transistor conducting or not."""
    twin = network.copy()
    bias = values[f"{part.designator}.bias_current"]
    for pin in ("IN+", "IN-"):
        twin.current(part.net(pin), part.net("V-"), bias)
    if output_low:
        twin.conductance(part.net("OUT"), part.net("EMIT"), 1 / values[f"{part.designator}.output_resistance"])
    return twin
