"""What can be wrong with a board.

    fault:   TARGET "=" EFFECT
    TARGET:  designator R5 | pin U3.4 or U3.PD2 | parameter L1.q | two of them with a comma between
    EFFECT:  open short reversed swapped bridge stuck_open stuck_closed contact=20ohm intermittent=0.1
             +20% -5% +200ppm x10 x0.5 value=4.7kohm     (the main parameter, or the one that TARGET names)
             slow (comparator)  weak_q (inductor)  wrong (regulator)  blank clock/8 (microcontroller)  dead (display)

What a target allows depends on its kind; anything else raises ValueError with the list. `assemble` applies faults to
a netlist and its values; the result is an ordinary netlist again, plus solder links and a few flags.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from hil.circuit.netlist import MAIN_UNITS, Component, Netlist, Pin
from hil.core.units import quantity

LINK_OHM = 0.01  # a drop of solder; an assumption, no source

_RELATIVE = re.compile(r"([+-]\d+(?:\.\d+)?)(%|ppm)")
_FACTOR = re.compile(r"x(\d+(?:\.\d+)?(?:e[+-]?\d+)?)")

_VALUE_EFFECTS = ("+20%", "+200ppm", "x10", "value=…")
_EFFECTS: Mapping[str, tuple[str, ...]] = {
    "resistor": ("open", "short", "intermittent=0.1"),
    "capacitor": ("open", "short", "intermittent=0.1"),
    "inductor": ("open", "short", "intermittent=0.1", "weak_q"),
    "diode": ("open", "short", "reversed"),
    "led": ("open", "short", "reversed"),
    "mosfet": ("open", "short", "reversed"),
    "transistor": ("open", "short", "reversed"),
    "regulator": ("open", "short", "reversed", "wrong"),
    "adjustable_regulator": ("open", "short", "reversed", "wrong"),
    "microcontroller": ("open", "reversed", "blank", "clock/8"),
    "crystal": ("open", "short", "intermittent=0.1"),
    "comparator": ("open", "reversed", "slow"),
    "relay_changeover": ("open", "short", "stuck_open", "stuck_closed", "contact=20ohm"),
    "relay_reed": ("open", "short", "stuck_open", "stuck_closed", "contact=20ohm"),
    "switch": ("open", "short", "stuck_open", "stuck_closed", "contact=20ohm", "intermittent=0.1"),
    "key": ("open", "short", "stuck_open", "stuck_closed", "contact=20ohm", "intermittent=0.1"),
    "fuse": ("open", "short", "intermittent=0.1"),
    "display": ("open", "dead"),
    "connector": ("open",),
}
_PIN_EFFECTS = ("open", "intermittent=0.1")
_SHORTED = {
    "mosfet": ("S", "D"),
    "transistor": ("C", "E"),
    "regulator": ("IN", "OUT"),
    "adjustable_regulator": ("IN", "OUT"),
    "relay_changeover": ("COIL+", "COIL-"),
    "relay_reed": ("COIL+", "COIL-"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault, already checked against a netlist.

    ``effect`` is its bare name: value changes are "scale" (amount: factor) or "value" (amount: new value); contact
    (ohm), intermittent (probability that the joint is open when looked at).
    """

    target: tuple[str, ...]
    effect: str
    amount: float = 0.0
    text: str = field(default="", compare=False)

    @property
    def components(self) -> tuple[str, ...]:
        """Designators involved."""
        return tuple(dict.fromkeys(target.split(".")[0] for target in self.target))


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """A board as it was really built: netlist, values, solder links and flags ``(designator, effect)``."""

    netlist: Netlist
    values: Mapping[str, float]
    links: tuple[tuple[str, str], ...] = ()
    flags: frozenset[tuple[str, str]] = frozenset()
    intermittent: float = 0.0  # probability that the intermittent joints are open when looked at


def allowed_effects(target: str, netlist: Netlist) -> tuple[str, ...]:
    """Effects that a single target allows, as one would write them.

    Raises:
        ValueError: no such component, pin or parameter.
    """
    component, rest = _resolve(target, netlist)
    if rest is None:
        effects = _EFFECTS[component.kind]
        if component.polarised and component.kind == "capacitor":
            effects += ("reversed",)
        return effects + (_VALUE_EFFECTS if MAIN_UNITS[component.kind] is not None else ())
    return _VALUE_EFFECTS if isinstance(rest, str) else _PIN_EFFECTS


def _resolve(target: str, netlist: Netlist) -> tuple[Component, Pin | str | None]:
    """The component, and its pin, or the name of its parameter, or None for the component itself."""
    designator, dot, rest = target.partition(".")
    component = netlist.component(designator)
    if not dot:
        return component, None
    for parameter in component.parameters:
        if parameter.name == target:
            return component, target
    return component, component.pin(rest)


def parse_fault(text: str, netlist: Netlist) -> Fault:
    """Read ``TARGET=EFFECT``.

    Raises:
        ValueError: unknown target, or an effect that it does not allow; the message lists what is allowed.
    """
    target_text, equals, effect_text = (part.strip() for part in text.partition("="))
    if not equals or not target_text or not effect_text:
        raise ValueError(f"{text!r} is not TARGET=EFFECT; write it like 'R5=open' or 'U3.4,U3.5=bridge'")
    targets = tuple(part.strip() for part in target_text.split(","))
    if len(targets) == 2:
        return _pair(text, targets, effect_text, netlist)
    if len(targets) != 1:
        raise ValueError(f"{text!r} names {len(targets)} targets; a fault has one, or two for swapped and bridge")
    target = targets[0]
    effect, amount = _effect(text, target, effect_text, netlist)
    return Fault(target=targets, effect=effect, amount=amount, text=text)


def _pair(text: str, targets: tuple[str, ...], effect: str, netlist: Netlist) -> Fault:
    first, second = (_resolve(target, netlist) for target in targets)
    if targets[0] == targets[1]:
        raise ValueError(f"{text!r} names the same target twice")
    if isinstance(first[1], Pin) and isinstance(second[1], Pin):
        allowed = ["bridge"]
    elif first[1] is None and second[1] is None and first[0].kind == second[0].kind:
        allowed = ["swapped"] if MAIN_UNITS[first[0].kind] is not None else []
    else:
        allowed = []
    if effect not in allowed:
        hint = f"it allows {allowed[0]}" if allowed else "two pins allow bridge, two components of one kind swapped"
        raise ValueError(f"{','.join(targets)} does not allow {effect!r}; {hint}")
    return Fault(target=targets, effect=effect, text=text)


def _effect(text: str, target: str, effect: str, netlist: Netlist) -> tuple[str, float]:
    allowed = allowed_effects(target, netlist)
    refusal = ValueError(f"{target} does not allow {effect!r}; it allows {', '.join(allowed)}")
    name, equals, amount = effect.partition("=")
    if _VALUE_EFFECTS[0] in allowed:
        if relative := _RELATIVE.fullmatch(effect):
            factor = 1 + float(relative[1]) / (100 if relative[2] == "%" else 1e6)
            if factor <= 0:
                raise ValueError(f"{text!r} leaves nothing of the value; write it like '-50%'")
            return "scale", factor
        if (factored := _FACTOR.fullmatch(effect)) and float(factored[1]) > 0:
            return "scale", float(factored[1])
        if name == "value":
            component, _ = _resolve(target, netlist)
            unit = next(p.unit for p in component.parameters if p.name == target)
            return "value", quantity(amount, unit)
    if not any(known.partition("=")[0] == name and bool(known.partition("=")[1]) == bool(equals) for known in allowed):
        raise refusal
    if name == "contact":
        return name, quantity(amount, "ohm")
    if name == "intermittent":
        try:
            probability = float(amount)
        except ValueError:
            probability = -1.0
        if not 0 < probability <= 1:
            raise ValueError(f"{text!r}: the probability must be above 0 and at most 1, like 'intermittent=0.1'")
        return name, probability
    return name, 0.0


def parse_faults(texts: Iterable[str], netlist: Netlist) -> tuple[Fault, ...]:
    """Each text through `parse_fault`."""
    return tuple(parse_fault(text, netlist) for text in texts)


def assemble(
    netlist: Netlist, values: Mapping[str, float], faults: Iterable[Fault] = (), *, joint_open: bool = False
) -> Assembly:
    """The board with its faults. ``joint_open``: intermittent joints are open at this moment.

    Args:
        netlist: the board as designed.
        values: true values; parameters that are missing have their nominal value.
    """
    work = _Work(netlist, {p.name: p.value for p in netlist.parameters()} | dict(values))
    for fault in faults:
        work.apply(fault, joint_open)
    return Assembly(
        netlist=replace(netlist, components=tuple(work.components.values())),
        values=work.values,
        links=tuple(work.links),
        flags=frozenset(work.flags),
        intermittent=work.intermittent,
    )


class _Work:
    """A board while faults are being applied."""

    def __init__(self, netlist: Netlist, values: dict[str, float]) -> None:
        self.netlist = netlist
        self.components = {component.designator: component for component in netlist.components}
        self.values = values
        self.links: list[tuple[str, str]] = []
        self.flags: set[tuple[str, str]] = set()
        self.intermittent = 0.0

    def apply(self, fault: Fault, joint_open: bool) -> None:
        component, rest = _resolve(fault.target[0], self.netlist)
        component = self.components[component.designator]
        is_relay = component.kind in ("relay_changeover", "relay_reed")
        match fault.effect:
            case "bridge":
                self._link(*(self._net(target) for target in fault.target))
            case "swapped":
                self._swap(*fault.target)
            case "scale":
                self.values[fault.target[0]] *= fault.amount
            case "value":
                self.values[fault.target[0]] = fault.amount
            case "open":
                self._open(component, rest)
            case "stuck_open" if not is_relay:
                self._open(component, None)
            case "intermittent":
                self.intermittent = max(self.intermittent, fault.amount)
                if joint_open:
                    self._open(component, rest)
            case "short" | "stuck_closed" if fault.effect == "short" or not is_relay:
                first, second = _SHORTED.get(component.kind, (component.pins[0].number, component.pins[1].number))
                self._link(component.net(first), component.net(second))
            case "reversed":
                self._reverse(component)
            case "contact":
                name = component.designator
                self.values[f"{name}.contact_resistance" if is_relay else name] = fault.amount
            case "slow":
                self.values[component.designator] = component.model["slow"]
            case "weak_q":
                self.values[f"{component.designator}.q"] = component.model["weak_q"]
            case "wrong":
                self.values[component.designator] = component.model["wrong_part"]
            case effect:
                self.flags.add((component.designator, effect))

    def _net(self, target: str) -> str:
        designator, _, pin = target.partition(".")
        component = self.components[designator]
        return component.net(pin) or self._isolate(component, component.pin(pin))

    def _isolate(self, component: Component, pin: Pin) -> str:
        """Give a pin a net of its own and return the net's name."""
        net = f"{component.designator}.{pin.number}"
        pins = tuple(replace(p, net=net) if p.number == pin.number else p for p in component.pins)
        self.components[component.designator] = replace(component, pins=pins)
        return net

    def _open(self, component: Component, pin: Pin | str | None) -> None:
        for each in (pin,) if isinstance(pin, Pin) else component.pins:
            self._isolate(self.components[component.designator], each)

    def _link(self, first: str, second: str) -> None:
        if first != second:
            self.links.append((first, second))

    def _swap(self, first: str, second: str) -> None:
        one, other = self.components[first], self.components[second]
        for parameter in one.parameters:
            twin = second + parameter.name.removeprefix(first)
            self.values[parameter.name], self.values[twin] = self.values[twin], self.values[parameter.name]
        self.components[first] = replace(one, model=other.model)
        self.components[second] = replace(other, model=one.model)

    def _reverse(self, component: Component) -> None:
        """Turned by half a turn: pin n where pin n + half should be; three pins: the outer ones change places."""
        nets = [pin.net for pin in component.pins]
        count = len(nets)
        turned = nets[::-1] if count <= 3 else nets[count // 2 :] + nets[: count // 2]
        pins = tuple(
            replace(pin, net=net or f"{component.designator}.{pin.number}")
            for pin, net in zip(component.pins, turned, strict=True)
        )
        self.components[component.designator] = replace(component, pins=pins)
        self.flags.add((component.designator, "reversed"))
