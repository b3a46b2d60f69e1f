"""Stamps what the conditions decide onto a copy of the base network: supply, switch, keys, pins, contacts, output."""

from collections.abc import Mapping

from hil.circuit.conditions import Conditions
from hil.circuit.dc import LimitedBranch, Network
from hil.circuit.devices import limited_source
from hil.circuit.faults import Assembly
from hil.circuit.netlist import Component
from hil.circuit.oscillator import contacts, terminal_nets
from hil.circuit.stamps import Values, protected_pins

SUPPLY_OHM = 0.01  # the supply's leads
OHMMETER_OHM = 10.0
RESET_CURRENT_SHARE = 0.35  # of the running current, while held in reset with the clock on; from memory
BLANK_CLOCK_HZ = 1e6  # a fresh part runs from its internal oscillator, 8 MHz divided by 8
LEAST_SHORT_OHM = 1e-3


def pack_nets(assembly: Assembly) -> tuple[str, str]:
    """Nets of the pack connector's two pins."""
    for part in assembly.netlist.of_kind("connector"):
        names = {pin.name: pin.net for pin in part.pins}
        if "PACK+" in names and "PACK-" in names:
            return names["PACK+"], names["PACK-"]
    raise ValueError(
        f"board {assembly.netlist.board} has no connector with pins PACK+ and PACK-; name them so in its file"
    )


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


def conditioned(
    base: Network,
    assembly: Assembly,
    values: Values,
    conditions: Conditions,
    *,
    pulled: Mapping[str, bool],
    mode: str,
    clock_hz: float,
) -> Network:
    """A copy of the base network under the conditions, with the comparator's output open."""
    network = base.copy()
    netlist = assembly.netlist
    _switches(network, assembly, values, conditions)
    for relay, first, second, closed in contacts(assembly, pulled):
        if closed:
            network.conductance(first, second, 1 / values[f"{relay.designator}.contact_resistance"])
    for part in netlist.of_kind("microcontroller"):
        _microcontroller(network, part, values, conditions, mode, clock_hz)
    _terminal(network, conditions, *terminal_nets(assembly))
    for source in conditions.sources:
        average = source.voltage_v / 2 if source.frequency_hz else source.voltage_v
        network.voltage(locate(assembly, source.point), netlist.ground, average, source.resistance_ohm)
    for first, second, ohm in conditions.loads:
        network.conductance(locate(assembly, first), locate(assembly, second), 1 / ohm)
    if conditions.supply_v is not None:
        plus, minus = pack_nets(assembly)
        law = limited_source(conditions.supply_v, conditions.supply_limit_a, SUPPLY_OHM)
        network.limited.append(LimitedBranch(minus, plus, ((plus, minus),), law))
    if conditions.ohmmeter is not None:
        first, second = (locate(assembly, point) for point in conditions.ohmmeter)
        law = limited_source(conditions.ohmmeter_limit_v, conditions.ohmmeter_current_a, OHMMETER_OHM)
        network.limited.append(LimitedBranch(second, first, ((first, second),), law))
    return network


def _switches(network: Network, assembly: Assembly, values: Values, conditions: Conditions) -> None:
    for part in assembly.netlist.of_kind("switch", "key"):
        name = part.designator
        closed = conditions.switch_on if part.kind == "switch" else name in conditions.keys
        if closed and (name, "stuck_open") not in assembly.flags:
            network.conductance(part.pins[0].net, part.pins[1].net, 1 / values[name])


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


def _microcontroller(
    network: Network, part: Component, values: Values, conditions: Conditions, mode: str, clock_hz: float
) -> None:
    name, supply, ground = part.designator, part.net("VCC"), part.net("GND")
    if conditions.supply_v is not None or conditions.sources:  # at an ohmmeter's tenths of a volt it draws nothing
        network.conductance(supply, ground, supply_current_a(part, values, mode, clock_hz) / 5.0)
    if mode != "running":
        return
    network.conductance(part.net("AVCC"), part.net("AREF"), 1 / part.model["reference_switch"])
    drivable = protected_pins(part)
    for pin, level in conditions.pins:
        if pin not in drivable or level == "input":
            continue
        rail = ground if level == "low" else supply
        ohm = values[f"{name}.pull_up"] if level == "pullup" else values[f"{name}.driver_resistance"]
        network.conductance(part.net(pin), rail, 1 / ohm)


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
