"""One board with its faults at one temperature, before any condition: what every look at it starts from."""

from collections.abc import Mapping

from hil.circuit import clock
from hil.circuit.faults import Assembly
from hil.circuit.oscillator import contacts
from hil.circuit.stamps import Values, base_network, protected_pins


class Stamped:
    """Worked out once, read often.

    Args:
        assembly: the board.
        temperature_degc: of all of it.
    """

    def __init__(self, assembly: Assembly, temperature_degc: float) -> None:
        self.assembly, self.netlist = assembly, assembly.netlist
        self.values = Values(assembly, temperature_degc)
        self.network = base_network(assembly, self.values)
        self.index = self.network.index
        self.clock_hz = clock.frequency_hz(assembly, self.values)
        """Of the microcontroller; 0.0 when it does not run."""
        self.header_reaches = clock.header_reaches(assembly)
        """Whether a programmer's lines arrive at the microcontroller."""
        self.port_nets = {
            part.designator: {pin: part.net(pin) for pin in protected_pins(part)}
            for part in self.netlist.of_kind("microcontroller")
        }
        self._closed: dict[tuple[bool, ...], tuple[tuple[str, str, float], ...]] = {}

    def closed_contacts(self, pulled: Mapping[str, bool]) -> tuple[tuple[str, str, float], ...]:
        """Nets and conductance of every relay contact that is closed."""
        state = tuple(pulled.values())
        if state not in self._closed:
            self._closed[state] = tuple(
                (first, second, 1 / self.values[f"{relay.designator}.contact_resistance"])
                for relay, first, second, closed in contacts(self.assembly, pulled)
                if closed
            )
        return self._closed[state]
