"""What reworks that helped say about how often faults happen: the weights file, and counts on top of them.

A cause is confirmed when a unit failed, was diagnosed, had one component reworked and then passed. The weights of
the file count like `SHIPPED_COUNT` confirmed causes, and every confirmed one adds one to them (a Dirichlet prior and
its posterior mean). A rework names a component, not a fault: its one count is shared among the faults of
that component as the diagnosis saw them.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from hil.core.causes import components_of
from hil.core.diagnosis import Floats

SHIPPED_COUNT = 200.0  # an assumption: some hundred reworks should outweigh what a book says of assembly


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """A rework after which the unit passed.

    Args:
        components: designators that were reworked.
        causes: what the diagnosis held probable, (faults that look alike, probability).
    """

    components: tuple[str, ...]
    causes: tuple[tuple[tuple[str, ...], float], ...]


def counts(faults: Sequence[str], weights: Floats, confirmed: Iterable[Confirmed]) -> Floats:
    """How many confirmed causes fall to each fault; a rework of a component without faults counts nothing."""
    number = {fault: place for place, fault in enumerate(faults)}
    found = np.zeros(len(faults))
    for rework in confirmed:
        shares = _shares(rework, number, weights)
        total = sum(shares.values()) or 1.0
        for place, share in shares.items():
            found[place] += share / total
    return found


def _shares(rework: Confirmed, number: Mapping[str, int], weights: Floats) -> dict[int, float]:
    def of_component(fault: str) -> bool:
        return any(one in rework.components for one in components_of(fault))

    shares: dict[int, float] = {}
    for alike, probability in rework.causes:
        members = [number[fault] for fault in alike if fault in number and of_component(fault)]
        total = sum(float(weights[place]) for place in members) or 1.0
        for place in members:
            shares[place] = shares.get(place, 0.0) + probability * float(weights[place]) / total
    if sum(shares.values()) > 0:
        return shares
    return {place: float(weights[place]) for fault, place in number.items() if of_component(fault)}


def updated(weights: Floats, counted: Floats) -> Floats:
    """How often faults happen, after the confirmed ones; adds up to 1."""
    return np.asarray((weights * SHIPPED_COUNT + counted) / (SHIPPED_COUNT + counted.sum()))
