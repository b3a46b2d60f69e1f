"""What can be wrong with a board: ``TARGET=EFFECT``, e.g. ``R5=open``, ``U3.4=open``, ``R5=+20%``, ``R10,R11=swapped``."""

from collections.abc import Iterable
from dataclasses import dataclass

from hil.circuit.netlist import Netlist


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault, already checked against a netlist."""

    target: tuple[str, ...]
    effect: str
    amount: float = 0.0  # of a value change, contact resistance (ohm) or intermittent (probability per solve)

    @property
    def text(self) -> str:
        return f"{','.join(self.target)}={self.effect}"


def parse_fault(text: str, netlist: Netlist) -> Fault:
    """Raises ValueError naming what the target allows."""
    raise NotImplementedError


def parse_faults(texts: Iterable[str], netlist: Netlist) -> tuple[Fault, ...]:
    return tuple(parse_fault(text, netlist) for text in texts)
