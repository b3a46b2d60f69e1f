"""Every fault that assembly can make of a board: generated from its netlist, with weights that are data.

A weight is a relative frequency per opportunity (per joint, per part, per pair of neighbouring pins), so that a class
with many opportunities is likely as a whole without any of its members being so. Only differences between weights
matter. Which classes there are is fixed here, because each has its own way to find its opportunities; how often they
happen, and what inspection would see where no reading can, is written in the weights file with its reason.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from itertools import combinations

from hil.circuit.eseries import SERIES, neighbours, series_of
from hil.circuit.faults import Fault, allowed_effects, parse_fault
from hil.circuit.netlist import TWO_TERMINAL, Component, Netlist
from hil.core.units import show

PASSIVE = ("resistor", "capacitor", "inductor")
REEL = "E12"  # parts are stocked at least in this series: neighbours on the shelf are from it or from a finer one


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """How often one opportunity of a class goes wrong, relative to the others, and why one thinks so."""

    weight: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultWeights:
    """The weights file: by class, factors by designator, and what inspection sees of faults that no reading shows."""

    board: str
    classes: Mapping[str, Weight]
    factors: Mapping[str, Weight] = field(default_factory=dict)
    inspections: tuple[tuple[str, str], ...] = ()  # (pattern over fault texts, what inspection would find)


@dataclass(frozen=True, slots=True, kw_only=True)
class PossibleFault:
    """One member of the universe."""

    text: str  # as for --fault
    fault: Fault
    fault_class: str
    weight: float  # normalised: all weights of the universe add up to 1
    reason: str
    inspection: str = ""  # why no reading may show it, and what would find it


def universe(netlist: Netlist, weights: FaultWeights) -> tuple[PossibleFault, ...]:
    """All possible single faults in the order of the netlist, class by class.

    Raises:
        ValueError: weights of another board, of a class that does not exist or of a component that does not exist; a
            class without weight.
    """
    _check(netlist, weights)
    found: dict[str, tuple[str, float, str]] = {}
    for name, opportunities in CLASSES.items():
        weight = weights.classes[name]
        for text, count in opportunities(netlist):
            factor, reason = _factor(text, weights)
            found.setdefault(text, (name, weight.weight * count * factor, reason or weight.reason))
    total = sum(weight for _, weight, _ in found.values())
    return tuple(
        PossibleFault(
            text=text,
            fault=parse_fault(text, netlist),
            fault_class=name,
            weight=weight / total,
            reason=reason,
            inspection=next((seen for pattern, seen in weights.inspections if fnmatchcase(text, pattern)), ""),
        )
        for text, (name, weight, reason) in found.items()
        if weight > 0
    )


def varied(possible: PossibleFault, netlist: Netlist, uniform: float) -> str:
    """The fault as one unit might have it: the text for ``--fault``, its strength drawn around the usual one.

    Deviations of ±20 %, ±50 % and ±300 ppm are drawn between three quarters and five quarters of that, a contact's
    resistance and the probability of an intermittent joint between half and twice the usual one (evenly over the
    logarithm), the delay of a slow comparator and the Q of a weak coil within ±20 %. A wrong value has the tolerance of
    the part it replaces. Opens, shorts, bridges, exchanged, turned and stuck parts have no strength. Assumptions, no
    source.

    Args:
        uniform: from 0 to 1; 0.5 is the usual strength.
    """
    fault, text = possible.fault, possible.text
    target, _, effect = text.partition("=")
    name = effect.partition("=")[0]
    side = 2 * uniform - 1  # from -1 to 1
    if fault.effect == "scale" and not effect.startswith("x"):
        unit = "ppm" if effect.endswith("ppm") else "%"
        return f"{target}={float(effect.removesuffix(unit)) * (1 + side / 4):+.4f}{unit}"
    if fault.effect == "contact":
        return f"{target}=contact={fault.amount * 2**side:.4f}ohm"
    if fault.effect == "intermittent":
        return f"{target}=intermittent={min(1.0, fault.amount * 2**side):.4f}"
    component = netlist.component(target.split(",")[0].split(".")[0])
    if fault.effect == "value":
        part = component.parameters[0]
        return _exactly(target, fault.amount * (1 + part.tolerance / abs(part.value) * side), part.unit)
    if name == "slow":
        return _exactly(target, component.model["slow"] * (1 + side / 5), "s")
    if name == "weak_q":
        return _exactly(f"{target}.q", component.model["weak_q"] * (1 + side / 5), "")
    if name == "wrong":
        part = component.parameters[0]
        return _exactly(
            target, component.model["wrong_part"] * (1 + part.tolerance / abs(part.value) * side), part.unit
        )
    return text


def _exactly(target: str, value: float, unit: str) -> str:
    return f"{target}=value={value:.9g}{unit}"


def _check(netlist: Netlist, weights: FaultWeights) -> None:
    if weights.board != netlist.board:
        raise ValueError(f"the weights are for board {weights.board!r}, the netlist is {netlist.board!r}")
    for name in CLASSES:
        if name not in weights.classes:
            raise ValueError(f"class {name!r} has no weight; add [class.{name}] with weight and reason")
    for name in weights.classes:
        if name not in CLASSES:
            raise ValueError(f"there is no fault class {name!r}; there are {', '.join(CLASSES)}")
    for designator in weights.factors:
        netlist.component(designator)


def _factor(text: str, weights: FaultWeights) -> tuple[float, str]:
    factor, reasons = 1.0, []
    for designator in dict.fromkeys(target.split(".")[0] for target in text.partition("=")[0].split(",")):
        if designator in weights.factors:
            factor *= weights.factors[designator].weight
            reasons.append(weights.factors[designator].reason)
    return factor, "; ".join(reasons)


# Each class yields (fault text, number of opportunities in it).
Opportunities = Iterator[tuple[str, float]]


def _all_with(effect: str, *kinds: str) -> Callable[[Netlist], Opportunities]:
    """One opportunity for each component (of these kinds, if any are named) that allows the effect."""

    def opportunities(netlist: Netlist) -> Opportunities:
        for part in netlist.of_kind(*kinds) if kinds else netlist.components:
            if effect in allowed_effects(part.designator, netlist):
                yield f"{part.designator}={effect}", 1.0

    return opportunities


def _missing(netlist: Netlist) -> Opportunities:
    """A part that is not there; of two-terminal parts a dry joint looks the same: two more opportunities."""
    for part in netlist.components:
        if part.kind != "connector":
            yield f"{part.designator}=open", 1.0 if len(part.pins) > 2 else 3.0


def _joints(netlist: Netlist) -> Opportunities:
    for part in netlist.components:
        if len(part.pins) > 2 or part.kind == "connector":
            for pin in part.pins:
                if pin.net:
                    yield f"{part.designator}.{pin.number}=open", 1.0


def _bridges(netlist: Netlist) -> Opportunities:
    for part in netlist.components:
        for first, second in part.adjacent:
            if part.net(first) != part.net(second):
                yield f"{part.designator}.{first},{part.designator}.{second}=bridge", 1.0


def _shorts(netlist: Netlist) -> Opportunities:
    for part in netlist.components:
        if len({pin.net for pin in part.pins}) > 1 and "short" in allowed_effects(part.designator, netlist):
            yield f"{part.designator}=short", 1.0


def _changed(*effects: str) -> Callable[[Netlist], Opportunities]:
    def opportunities(netlist: Netlist) -> Opportunities:
        for part in netlist.of_kind(*PASSIVE):
            for effect in effects:
                yield f"{part.designator}={effect}", 1.0 / len(effects)

    return opportunities


def _neighbours(netlist: Netlist) -> Opportunities:
    for part in netlist.of_kind(*PASSIVE):
        value, unit = part.parameters[0].value, part.parameters[0].unit
        names = list(SERIES)
        own = series_of(value) or names[-1]
        for neighbour in neighbours(value, names[max(names.index(own), names.index(REEL))]):
            yield f"{part.designator}=value={_typed(neighbour, unit)}", 0.5


def _typed(value: float, unit: str) -> str:
    """A value as one would type it: 120kohm."""
    number, _, prefixed = show(value, unit, digits=3).partition(" ")
    return f"{float(number):g}{prefixed}".replace("µ", "u")


def _swapped(netlist: Netlist) -> Opportunities:
    """Two parts of one kind and different value that share a net, and so lie beside each other on the board."""
    shared = [net for net in netlist.nets() if net != netlist.ground and net not in netlist.rails]
    for first, second in combinations(netlist.of_kind(*PASSIVE), 2):
        same_kind = first.kind == second.kind and first.parameters[0].value != second.parameters[0].value
        if same_kind and any(net in _nets(first) and net in _nets(second) for net in shared):
            yield f"{first.designator},{second.designator}=swapped", 1.0


def _nets(part: Component) -> set[str]:
    return {pin.net for pin in part.pins}


def _reversed(netlist: Netlist) -> Opportunities:
    for part in netlist.components:
        if part.polarised and "reversed" in allowed_effects(part.designator, netlist):
            yield f"{part.designator}=reversed", 1.0


def _intermittent(netlist: Netlist) -> Opportunities:
    for part in netlist.components:
        if part.kind in TWO_TERMINAL and part.kind not in ("key", "switch"):
            yield f"{part.designator}=intermittent=0.1", 2.0


CLASSES: Mapping[str, Callable[[Netlist], Opportunities]] = {
    "missing": _missing,
    "joint": _joints,
    "bridge": _bridges,
    "short": _shorts,
    "reversed": _reversed,
    "decade": _changed("x10", "x0.1"),
    "half": _changed("-50%", "+50%"),
    "drifted": _changed("-20%", "+20%"),
    "neighbour": _neighbours,
    "swapped": _swapped,
    "intermittent": _intermittent,
    "relay_stuck_open": _all_with("stuck_open", "relay_changeover", "relay_reed"),
    "relay_stuck_closed": _all_with("stuck_closed", "relay_changeover", "relay_reed"),
    "relay_contact": _all_with("contact=20ohm", "relay_changeover", "relay_reed"),
    "key_stuck": _all_with("stuck_closed", "key"),
    "slow_comparator": _all_with("slow", "comparator"),
    "crystal_off": lambda netlist: ((f"{part.designator}=+300ppm", 1.0) for part in netlist.of_kind("crystal")),
    "wrong_regulator": _all_with("wrong", "regulator", "adjustable_regulator"),
    "not_programmed": _all_with("blank", "microcontroller"),
    "wrong_clock_fuse": _all_with("clock/8", "microcontroller"),
    "weak_q": lambda netlist: (
        (f"{part.designator}=weak_q", 1.0) for part in netlist.of_kind("inductor") if part.model["weak_q"] > 0
    ),
    "dead_display": _all_with("dead", "display"),
}
"""Fault classes by name."""
