"""The microcontroller's clock from its crystal and load capacitors, and whether the programming header reaches it.

The crystal is pulled by the difference of its real and its rated load: Δf/f = Cm/2·(1/(C0 + CL) − 1/(C0 + CL,rated)),
the usual first-order formula for a crystal at load resonance.
"""

from hil.circuit.faults import Assembly
from hil.circuit.stamps import Values

PROGRAMMING_LEAST_V = 2.7
MOST_LOAD_F = 60e-12  # beyond this the oscillator does not start; an assumption, no source


def frequency_hz(assembly: Assembly, values: Values) -> float:
    """Frequency of the clock, Hz; 0 when it does not run."""
    netlist = assembly.netlist
    parts, crystals = netlist.of_kind("microcontroller"), netlist.of_kind("crystal")
    if not parts or not crystals:
        return 0.0
    part, crystal = parts[0], crystals[0]
    ends = {part.net("PB6"), part.net("PB7")}
    if ends != {pin.net for pin in crystal.pins} or len(ends) != 2:
        return 0.0
    if any(link_end in ends for link in assembly.links for link_end in link):
        return 0.0
    loads = [_to_ground_f(assembly, values, net) for net in ends]
    if max(loads) > MOST_LOAD_F:
        return 0.0
    load = crystal.model["stray_capacitance"] + (loads[0] * loads[1] / sum(loads) if all(loads) else 0.0)
    parallel = crystal.model["parallel_capacitance"]
    pull = 1 / (parallel + load) - 1 / (parallel + crystal.model["load_capacitance"])
    frequency = values[crystal.designator] * (1 + crystal.model["motional_capacitance"] / 2 * pull)
    return frequency / 8 if (part.designator, "clock/8") in assembly.flags else frequency


def _to_ground_f(assembly: Assembly, values: Values, net: str) -> float:
    wanted = {net, assembly.netlist.ground}
    return sum(
        values[part.designator]
        for part in assembly.netlist.of_kind("capacitor")
        if part.pins[0].net in wanted and part.pins[1].net in wanted and part.pins[0].net != part.pins[1].net
    )


def header_reaches(assembly: Assembly) -> bool:
    """Whether a programmer at the header reaches the microcontroller over four separate lines."""
    parts = assembly.netlist.of_kind("microcontroller")
    headers = [part for part in assembly.netlist.of_kind("connector") if len(part.pins) == 6]
    if not parts or not headers:
        return False
    part, header = parts[0], headers[0]
    lines = [part.net(pin) for pin in ("PB3", "PB4", "PB5", "PC6")]
    header_nets = {pin.net for pin in header.pins}
    return set(lines) <= header_nets and not any(set(link) & set(lines) for link in assembly.links)
