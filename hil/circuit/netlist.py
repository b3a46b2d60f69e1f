"""The board as data: components, parameters with tolerances, pins, nets, test points.

A parameter name such as ``R5`` means the component's main parameter, ``L1.q`` a further one. All values in
unprefixed SI units, at `Netlist.reference_temperature_degc`.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property

MAIN_UNITS = {
    "resistor": "ohm",
    "capacitor": "F",
    "inductor": "H",
    "diode": "A",
    "led": "A",
    "mosfet": "V",
    "transistor": "",
    "regulator": "V",
    "adjustable_regulator": "V",
    "microcontroller": "A",
    "crystal": "Hz",
    "comparator": "s",
    "relay_changeover": "ohm",
    "relay_reed": "ohm",
    "switch": "ohm",
    "key": "ohm",
    "fuse": "ohm",
    "display": "A",
    "connector": None,
}
"""Unit of the main parameter by kind; None: the kind has no values."""

PARAMETERS: Mapping[str, Mapping[str, str]] = {
    "inductor": {"resistance": "ohm", "q": ""},
    "regulator": {"current_limit": "A", "dropout_resistance": "ohm", "ground_resistance": "ohm"},
    "adjustable_regulator": {"adjust_current": "A", "current_limit": "A"},
    "microcontroller": {
        "static_current": "A",
        "driver_resistance": "ohm",
        "pull_up": "ohm",
        "reset_pull_up": "ohm",
        "reference_load": "ohm",
        "brown_out": "V",
    },
    "crystal": {"series_resistance": "ohm"},
    "comparator": {
        "offset": "V",
        "bias_current": "A",
        "supply_resistance": "ohm",
        "output_resistance": "ohm",
        "noise": "V",
    },
    "relay_changeover": {"operate": "V", "contact_resistance": "ohm", "contact_capacitance": "F"},
    "relay_reed": {"operate": "V", "contact_resistance": "ohm", "contact_capacitance": "F"},
}
"""Further parameters by kind, with their units; each component of the kind has all of them."""

MODEL_CONSTANTS: Mapping[str, Mapping[str, str]] = {
    "inductor": {"q_frequency": "Hz", "loss_exponent": "", "parallel_capacitance": "F", "weak_q": ""},
    "diode": {"emission": ""},
    "led": {"emission": ""},
    "mosfet": {"transconductance": "S", "body_saturation_current": "A"},
    "transistor": {"saturation_current": "A", "reverse_gain": ""},
    "regulator": {"output_conductance": "S", "wrong_part": "V"},
    "adjustable_regulator": {
        "dropout": "V",
        "dropout_resistance": "ohm",
        "output_conductance": "S",
        "wrong_part": "V",
    },
    "microcontroller": {
        "reference_switch": "ohm",
        "analogue_resistance": "ohm",
        "esd_saturation_current": "A",
    },
    "crystal": {
        "motional_capacitance": "F",
        "parallel_capacitance": "F",
        "load_capacitance": "F",
        "stray_capacitance": "F",
    },
    "comparator": {
        "noise_bandwidth": "Hz",
        "common_mode_headroom": "V",
        "input_capacitance": "F",
        "slow": "s",
    },
    "display": {
        "supply": "V",
        "supply_least": "V",
        "supply_most": "V",
        "esd_saturation_current": "A",
    },
}
"""Constants of the device equations by kind, with their units; those in `OPTIONAL_CONSTANTS` may be absent."""

OPTIONAL_CONSTANTS = {"parallel_capacitance": 0.0, "weak_q": math.nan}

PIN_NAMES: Mapping[str, tuple[str, ...]] = {
    "diode": ("A", "K"),
    "led": ("A", "K"),
    "mosfet": ("G", "S", "D"),
    "transistor": ("B", "E", "C"),
    "regulator": ("IN", "GND", "OUT"),
    "adjustable_regulator": ("ADJ", "OUT", "IN"),
    "microcontroller": ("VCC", "GND", "GND2", "AVCC", "AREF", "PC6", "PB6", "PB7"),
    "comparator": ("IN+", "IN-", "V-", "V+", "OUT", "EMIT"),
    "relay_changeover": ("COIL+", "COIL-", "COM_A", "NC_A", "NO_A", "COM_B", "NC_B", "NO_B"),
    "relay_reed": ("COIL+", "COIL-", "COM", "NO"),
    "display": ("VDD", "GND"),
}
"""Pins that the device equations ask for by name."""

TWO_TERMINAL = ("resistor", "capacitor", "inductor", "crystal", "switch", "key", "fuse")
POLARISED = (
    "diode",
    "led",
    "mosfet",
    "transistor",
    "regulator",
    "adjustable_regulator",
    "microcontroller",
    "comparator",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One value of a component. ``tolerance`` is the half width in the parameter's own unit (3σ, truncated)."""

    name: str
    value: float
    unit: str
    tolerance: float
    temperature_coefficient: float = 0.0  # 1/K


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """One pin; ``net`` is "" when it is not connected."""

    number: str
    name: str
    net: str


@dataclass(frozen=True, kw_only=True)
class Component:
    """One part on the board. ``adjacent`` holds pairs of pin numbers that a drop of solder can bridge."""

    designator: str
    kind: str
    title: str
    pins: tuple[Pin, ...]
    parameters: tuple[Parameter, ...] = ()
    model: Mapping[str, float] = field(default_factory=dict)
    polarised: bool = False
    adjacent: tuple[tuple[str, str], ...] = ()

    def pin(self, name: str) -> Pin:
        """A pin by number or name.

        Raises:
            ValueError: no such pin; lists what there is.
        """
        found = self._by_name.get(name)
        if found is None:
            known = ", ".join(pin.number if pin.name == pin.number else f"{pin.number} {pin.name}" for pin in self.pins)
            raise ValueError(f"{self.designator} has no pin {name!r}; it has {known}")
        return found

    @cached_property
    def _by_name(self) -> dict[str, Pin]:
        return {name: pin for pin in reversed(self.pins) for name in (pin.name, pin.number)}

    def net(self, pin: str) -> str:
        """Net of a pin, by number or name."""
        return self.pin(pin).net


@dataclass(frozen=True, kw_only=True)
class Netlist:
    """The whole board. ``rails`` are nets that decoupling holds still for alternating currents."""

    board: str
    revision: str
    components: tuple[Component, ...]
    test_points: Mapping[str, str]  # name -> net
    ground: str = "GND"
    rails: tuple[str, ...] = ()
    reference_temperature_degc: float = 23.0

    def component(self, designator: str) -> Component:
        """A component by designator.

        Raises:
            ValueError: no such component; lists what there is.
        """
        found = self._by_designator.get(designator)
        if found is None:
            known = ", ".join(self._by_designator)
            raise ValueError(f"there is no component {designator!r} on board {self.board}; there are {known}")
        return found

    @cached_property
    def _by_designator(self) -> dict[str, Component]:
        return {component.designator: component for component in self.components}

    @cached_property
    def _by_kind(self) -> dict[str, tuple[Component, ...]]:
        kinds = {component.kind for component in self.components}
        return {kind: tuple(c for c in self.components if c.kind == kind) for kind in kinds}

    def of_kind(self, *kinds: str) -> tuple[Component, ...]:
        """All components of these kinds, kind by kind."""
        if len(kinds) == 1:
            return self._by_kind.get(kinds[0], ())
        return tuple(component for kind in kinds for component in self._by_kind.get(kind, ()))

    def connector_nets(self, first: str, second: str) -> tuple[str, str]:
        """Nets of two pins, by name, of the connector that has both.

        Raises:
            ValueError: there is none.
        """
        pair = first, second
        if pair not in self._connector_nets:
            names = ({pin.name: pin.net for pin in part.pins} for part in self.of_kind("connector"))
            found = next((nets for nets in names if first in nets and second in nets), None)
            if found is None:
                raise ValueError(
                    f"board {self.board} has no connector with pins {first} and {second}; name them so in its file"
                )
            self._connector_nets[pair] = found[first], found[second]
        return self._connector_nets[pair]

    @cached_property
    def _connector_nets(self) -> dict[tuple[str, str], tuple[str, str]]:
        return {}

    @cached_property
    def pin_nets(self) -> Mapping[str, str]:
        """Net of every connected pin, by ``U3.6`` and by ``U3.PD4``."""
        return {
            f"{component.designator}.{name}": pin.net
            for component in self.components
            for pin in component.pins
            if pin.net
            for name in dict.fromkeys((pin.number, pin.name))
        }

    def parameters(self) -> Iterator[Parameter]:
        """Every parameter of every component, in the order of the file."""
        for component in self.components:
            yield from component.parameters

    def nets(self) -> tuple[str, ...]:
        """All nets, ground first, the others in the order in which pins name them."""
        found = {self.ground: None}
        for component in self.components:
            for pin in component.pins:
                if pin.net:
                    found[pin.net] = None
        return tuple(found)


def check_component(component: Component) -> None:
    """Refuse a component that the equations cannot use.

    Raises:
        ValueError: what is missing or wrong, and the fix.
    """
    kind, designator = component.kind, component.designator
    if kind not in MAIN_UNITS:
        raise ValueError(f"{designator} is of unknown kind {kind!r}; known: {', '.join(sorted(MAIN_UNITS))}")
    numbers = [pin.number for pin in component.pins]
    if len(set(numbers)) != len(numbers):
        raise ValueError(f"{designator} names a pin number twice; number each pin once")
    if kind in TWO_TERMINAL and len(numbers) != 2:
        raise ValueError(f"{designator} is a {kind} and needs 2 pins, not {len(numbers)}")
    for name in PIN_NAMES.get(kind, ()):
        if not component.pin(name).net and not name.startswith(("NC_", "NO_")):
            raise ValueError(f"{designator}.{name} must be connected; give the pin a net instead of '-'")
    expected = (
        {} if MAIN_UNITS[kind] is None else {designator, *(f"{designator}.{n}" for n in PARAMETERS.get(kind, ()))}
    )
    missing = sorted(set(expected) - {parameter.name for parameter in component.parameters})
    if missing:
        raise ValueError(f"{designator} lacks {missing[0]}; give it a value and a tolerance")
    for constant in MODEL_CONSTANTS.get(kind, ()):
        if constant not in component.model:
            raise ValueError(f"{designator} lacks the constant {constant!r}; add model.{constant}")


def check_netlist(netlist: Netlist) -> None:
    """Refuse dangling references: a net with one pin, a test point or rail on a net that does not exist.

    Raises:
        ValueError: which reference dangles, and the fix.
    """
    pins: dict[str, list[str]] = {}
    for component in netlist.components:
        for pin in component.pins:
            if pin.net:
                pins.setdefault(pin.net, []).append(f"{component.designator}.{pin.number}")
    for name, net in (*netlist.test_points.items(), *(("rails", rail) for rail in netlist.rails)):
        if net not in pins:
            raise ValueError(f"{name} refers to net {net!r}, which no pin is on; nets: {', '.join(sorted(pins))}")
    if netlist.ground not in pins:
        raise ValueError(f"no pin is on the ground net {netlist.ground!r}")
    for net, users in pins.items():
        if len(users) == 1:
            raise ValueError(f"net {net!r} has only the pin {users[0]}; correct its name or connect it")
