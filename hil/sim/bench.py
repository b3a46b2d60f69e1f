"""The simulated bench: units, supply, jig, reference parts, instruments, temperature - one world, one clock."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from hil.sim.clock import SimClock
from hil.sim.setup import BenchSetup

if TYPE_CHECKING:
    from hil.circuit.netlist import Netlist


class SimulatedBench:
    """A bench that behaves like one. Reach it through `hil.simlink.connect`, never around it.

    Args:
        setup: what stands on the bench.
        netlist: the board.
        seed: everything random that is not the unit itself.
        clock: simulated time; a new one when None.
    """

    def __init__(self, setup: BenchSetup, netlist: "Netlist", *, seed: int = 0, clock: SimClock | None = None) -> None:
        self.setup, self.netlist, self.seed = setup, netlist, seed
        self.clock = clock if clock is not None else SimClock()

    def insert(self, serial: str, *, faults: Sequence[str] = (), attempt: int = 1) -> None:
        """Put the unit with this serial number into the jig (a blank one the first time), power off.

        Args:
            serial: values of its components depend on this alone.
            faults: as for ``--fault``, ``TARGET=EFFECT``; targets also name the unit's firmware
                (``firmware=missing``, ``fuses=clock_div8``) and the bench (``bench.voltmeter=silent``).
            attempt: changes the noise, not the unit.

        Raises:
            ValueError: a fault that nobody knows, listing what is known.
        """
        raise NotImplementedError

    def remove(self) -> None:
        """Take the unit out; it keeps its stored constants."""
        raise NotImplementedError
