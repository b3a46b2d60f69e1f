"""What the nominal board tells about every sound one: asked once for a bench, so that each further unit is cheap.

A board with a fault is asked itself.
"""

import math
from dataclasses import replace

from hil.circuit.board import BoardModel, Conditions, Terminal, nominal_board
from hil.circuit.netlist import Netlist
from hil.sim.processor import PIN_K1, PIN_K2
from hil.sim.wiring import arriving_ends

Pins = tuple[tuple[str, str], ...]
Slopes = dict[tuple[Pins, Terminal, bool], float]  # by drives of the relays, terminal, and whether joints are open

GROUND = "GND"
_USUAL_V = 7.4
_STEP_K = 2.0
_STIFF_V = 20e-6  # less than the voltmeter shows


class Nominal:
    """Drift of the oscillator with temperature, logic lines that arrive, and which points a voltmeter loads."""

    def __init__(self, netlist: Netlist, voltmeter_ohm: float) -> None:
        self._model, self._voltmeter_ohm = nominal_board(netlist), voltmeter_ohm
        self._slopes: Slopes = {}
        self._stiff: dict[str, bool] = {GROUND: True}
        self._ends: frozenset[str] | None = None
        self._faulty: tuple[BoardModel, Slopes] | None = None

    def slope_per_k(self, model: BoardModel, conditions: Conditions) -> float:
        """Relative change of the oscillator's frequency with temperature, 1/K; tolerances hardly change it."""
        slopes = self._slopes
        if model.faults:
            if self._faulty is None or self._faulty[0] is not model:
                self._faulty = model, {}
            slopes = self._faulty[1]
        else:
            model = self._model
        pins = tuple(pair for pair in conditions.pins if pair[0] in (PIN_K1, PIN_K2))
        key = pins, conditions.terminal, conditions.joints_open
        slope = slopes.get(key)
        if slope is None:
            slope = slopes[key] = self._slope_per_k(model, *key)
        return slope

    def _slope_per_k(self, model: BoardModel, pins: Pins, terminal: Terminal, joints_open: bool) -> float:
        cold = Conditions(supply_v=_USUAL_V, pins=pins, terminal=terminal, joints_open=joints_open)
        warm = replace(cold, temperature_degc=cold.temperature_degc + _STEP_K)
        cold_hz, warm_hz = (model.oscillate(one).frequency_hz for one in (cold, warm))
        return math.log(warm_hz / cold_hz) / _STEP_K if cold_hz > 0 and warm_hz > 0 else 0.0

    def arriving_ends(self, model: BoardModel, *, joints_open: bool) -> frozenset[str]:
        """Ends of the logic lines at which both levels arrive; tolerances do not come near the receivers' levels."""
        if model.faults:
            return arriving_ends(model, joints_open=joints_open)
        if self._ends is None:
            self._ends = arriving_ends(self._model, joints_open=False)
        return self._ends

    def is_stiff(self, model: BoardModel, point: str) -> bool:
        """Whether the voltmeter's input changes nothing at a point that could be seen."""
        if model.faults:
            return False
        if point not in self._stiff:
            like = Conditions(supply_v=_USUAL_V)
            loaded = replace(like, loads=((point, GROUND, self._voltmeter_ohm),))
            free_v, loaded_v = (self._model.solve(one).voltage_v(point) for one in (like, loaded))
            self._stiff[point] = abs(free_v - loaded_v) < _STIFF_V
        return self._stiff[point]
