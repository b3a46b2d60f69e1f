"""The board as data: components, parameters with tolerances, pins, nets, test points.

A name such as ``R5`` means the component's main parameter, ``L1.q`` a further one.
"""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One value of a component. ``tolerance`` is the half width as a fraction of the value (3σ, truncated)."""

    name: str
    value: float
    unit: str
    tolerance: float
    temperature_coefficient: float = 0.0  # 1/K


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    number: str
    name: str
    net: str  # "" when not connected


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    designator: str
    kind: str
    title: str
    pins: tuple[Pin, ...]
    parameters: tuple[Parameter, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Netlist:
    board: str
    revision: str
    components: tuple[Component, ...]
    test_points: Mapping[str, str]  # name -> net

    def component(self, designator: str) -> Component:
        """Raises ValueError listing what there is."""
        raise NotImplementedError
