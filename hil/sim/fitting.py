"""How a unit lies in the jig this time: what the jig, the person who closed it and chance add to it.

Nothing is added unless a trouble says so (`hil.sim.trouble`). The jig's own shift stays for all units; a person's habit
follows from the seed of the bench and the person's name; what chance adds is drawn anew at each insertion.
"""

from hil.sim.streams import Streams
from hil.sim.trouble import Troubles


class Fitting:
    """One insertion of one unit.

    Args:
        troubles: what jig and people do.
        fixed: streams of the bench, the same for every insertion.
        noise: streams of this insertion.
        person: who put the unit in.
    """

    def __init__(self, troubles: Troubles, fixed: Streams, noise: Streams, person: str = "") -> None:
        self._troubles, self._noise, self._person = troubles, noise, person
        self._habits = Streams(fixed.key, "person", person)
        self._contacts: dict[str, float] = {}
        self.capacitance_f = self._added("capacitance")
        self.inductance_h = self._added("inductance")
        self.resistance_ohm = self._added("resistance")

    def contact_ohm(self, point: str) -> float:
        """What one needle has more than on the drawing, ohm; each needle scatters on its own."""
        if point not in self._contacts:
            self._contacts[point] = self._added("contact", f"contact.{point}")
        return self._contacts[point]

    def _added(self, quantity: str, stream: str = "") -> float:
        amount = self._troubles.amount
        total = amount(f"bench.jig.{quantity}") + amount(f"bench.operator.{self._person}.{quantity}")
        if among := amount(f"bench.operators.{quantity}"):
            total += among * Streams(self._habits.key, quantity).gauss("habit")
        if by_chance := amount(f"bench.jig.{quantity}.fitting"):
            total += by_chance * self._noise.gauss(f"fitting.{stream or quantity}")
        return total


AS_DRAWN = Fitting(Troubles(), Streams(), Streams())
