"""Everything that can be seen of a board from outside: all points and terminals, in every state it can be put into.

    seen = dict(look_at(BoardModel(netlist, values, faults), {"c_1n": Terminal(kind="capacitor", value=1e-9), …}))
    seen["V TP_5V, idle"], seen["ohm TP_COMP:TP_5V"], seen["Hz c_1n"]

This knows nothing of checks or limits: whether a fault *could* be seen is asked of the circuit model alone. A name
begins with its kind, which says what would measure it:

    V    voltmeter between a test point and ground, or between two     ohm  the same, without power
    A    supply current                                                Hz   the oscillator as the meter counts it
    =    a yes or no (1 or 0): current limit, lamp, display, key, answers on the serial port
    rel  the meter's own ratios: change of frequency with supply, timebase, pack reading

What nobody would get an answer to is NaN.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations

from hil.circuit.board import BoardModel, Conditions, Source, Terminal
from hil.circuit.conditions import Operating
from hil.circuit.netlist import Netlist

VOLTMETER_OHM = 10e6  # the usual input resistance of a bench voltmeter (common practice, no source)
PACK_V, LIMIT_A = 7.4, 0.2
GENERATOR = Source(point="TP_T0", voltage_v=5.0, resistance_ohm=50.0, frequency_hz=4e6)
OVER_RANGE_OHM = 1e9  # stands for infinity, so that ranges can be reckoned with
LAMP_A, KEY_SHARE = 0.3e-3, 0.5  # a lamp is seen to be lit; a pin reads high (of the supply)
# As the firmware leaves the pins: relays released, green lamp lit, display and UART lines at rest.
_IDLE = {
    "PB0": "low", "PB1": "low", "PB2": "high", "PB3": "low", "PB5": "low", "PC2": "low", "PC3": "high",
    "PD1": "high", "PD2": "pullup", "PD3": "pullup", "PD5": "high", "PD6": "low",
}  # fmt: skip
_K1, _K2 = {"PB0": "high"}, {"PB1": "high"}


def _powered(volt: float = PACK_V, pins: Mapping[str, str] | None = None, **more: object) -> Conditions:
    driven = tuple((_IDLE | dict(pins or {})).items())
    return replace(Conditions(supply_v=volt, supply_limit_a=LIMIT_A, pins=driven), **more)  # type: ignore[arg-type]


SITUATIONS: Mapping[str, Conditions] = {
    "idle": _powered(),
    "pack 5.0 V": _powered(5.0),
    "pack 6.0 V": _powered(6.0),
    "pack 8.4 V": _powered(8.4),
    "K1": _powered(pins=_K1),
    "K2": _powered(pins=_K2),
    "both relays": _powered(pins=_K1 | _K2),
    "both relays, pack 6.0 V": _powered(6.0, _K1 | _K2),
    "lamps changed": _powered(pins={"PD5": "low", "PD6": "high"}),
    "KEY1 pressed": _powered(keys=("KEY1",)),
    "KEY2 pressed": _powered(keys=("KEY2",)),
    "terminals shorted": _powered(terminal=Terminal(kind="short")),
    "K1, terminals shorted": _powered(pins=_K1, terminal=Terminal(kind="short")),
    "held in reset": Conditions(supply_v=PACK_V, supply_limit_a=LIMIT_A, mcu="reset"),
    "wrong polarity": Conditions(supply_v=-PACK_V, supply_limit_a=0.02, mcu="reset"),
}
RUNNING = tuple(name for name in SITUATIONS if name not in ("held in reset", "wrong polarity"))


def look_at(
    model: BoardModel, parts: Mapping[str, Terminal], *, joints_open: bool = False
) -> Iterator[tuple[str, float]]:
    """All that can be seen of one unit, name and value one after the other; worked out as it is asked for.

    Args:
        parts: reference parts with the jig around them, by name.
        joints_open: intermittent joints are open while one looks.
    """
    return _Looker(model, parts, joints_open).everything()


class _Looker:
    def __init__(self, model: BoardModel, parts: Mapping[str, Terminal], joints_open: bool) -> None:
        self.model, self.parts, self.joints_open = model, parts, joints_open
        self.netlist = model.netlist
        self.points = tuple(self.netlist.test_points)
        self.mcu = next(part.designator for part in self.netlist.of_kind("microcontroller"))

    def solve(self, conditions: Conditions) -> Operating:
        return self.model.solve(replace(conditions, joints_open=self.joints_open))

    def everything(self) -> Iterator[tuple[str, float]]:
        for name, conditions in SITUATIONS.items():
            yield from self._powered_up(name, self.solve(conditions))
        yield from self._loaded()
        yield from self._counted()
        yield from self._unpowered()  # last: most solutions, and few faults that nothing else shows

    # Without power

    def _unpowered(self) -> Iterator[tuple[str, float]]:
        for first, second in (*between_points(self.netlist), ("T1", "GND")):
            found = self.solve(Conditions(mcu="reset", ohmmeter=(first, second))).resistance_ohm
            assert found is not None
            yield f"ohm {first}:{second}", min(found, OVER_RANGE_OHM)

    # With power

    def _powered_up(self, name: str, seen: Operating) -> Iterator[tuple[str, float]]:
        yield f"A supply, {name}", seen.supply_current_a
        yield f"= current limit, {name}", float(seen.in_current_limit)
        volts = {point: seen.voltage_v(point) for point in self.points}
        yield from ((f"V {point}, {name}", volt) for point, volt in volts.items())
        yield from ((f"V {point}:TP_5V, {name}", volts[point] - volts["TP_5V"]) for point in self.points)
        for lamp, current_a in seen.lamps.items():
            yield f"= {lamp} lit, {name}", float(current_a > LAMP_A)
        if name in RUNNING:
            yield from self._answers(name, seen)

    def _answers(self, name: str, seen: Operating) -> Iterator[tuple[str, float]]:
        """What the meter would say of its inputs."""
        yield f"= meter runs, {name}", float(seen.mcu_runs)
        supply_v = self._pin_v(seen, "VCC") - self._pin_v(seen, "GND")
        for pin, key in (("PD2", "KEY1"), ("PD3", "KEY2")):
            high = self._pin_v(seen, pin) > KEY_SHARE * supply_v
            yield f"= {key} reads released, {name}", float(high) if seen.mcu_runs else math.nan
        reference_v = self._pin_v(seen, "AREF")
        reading = self._pin_v(seen, "PC0") / reference_v if seen.mcu_runs and reference_v > 0 else math.nan
        yield f"rel pack reading, {name}", reading

    def _pin_v(self, seen: Operating, pin: str) -> float:
        return seen.pins[f"{self.mcu}.{pin}"]

    def _loaded(self) -> Iterator[tuple[str, float]]:
        """With the voltmeter's input resistance at the point, and between each two points."""
        volts = {}
        for point in self.points:
            idle = replace(SITUATIONS["idle"], loads=((point, self.netlist.ground, VOLTMETER_OHM),))
            volts[point] = self.solve(idle).voltage_v(point)
            yield f"V {point}, idle, loaded", volts[point]
        for first, second in combinations(self.points, 2):
            yield f"V {first}:{second}, idle, loaded", volts[first] - volts[second]

    # What the meter counts

    def _hz(self, conditions: Conditions) -> float:
        """As the meter counts it, relative to its own clock; NaN when it does not run."""
        asked = replace(conditions, joints_open=self.joints_open)
        seen = self.model.solve(asked)
        if not seen.mcu_runs or seen.mcu_clock_hz <= 0:
            return math.nan
        found = self.model.oscillate(asked)
        nominal_hz = self.netlist.of_kind("crystal")[0].parameters[0].value
        return found.t0_frequency_hz * (1 + found.extra_edges) * nominal_hz / seen.mcu_clock_hz

    def _counted(self) -> Iterator[tuple[str, float]]:
        idle = SITUATIONS["idle"]
        open_hz = self._hz(idle)
        yield "Hz open", open_hz
        yield "Hz ccal", self._hz(SITUATIONS["K2"])
        yield "Hz open, K1", self._hz(SITUATIONS["K1"])
        yield "Hz short, K1 released", self._hz(SITUATIONS["terminals shorted"])
        yield "Hz short", self._hz(SITUATIONS["K1, terminals shorted"])
        for name in ("pack 6.0 V", "pack 8.4 V"):
            yield (
                f"rel change of frequency, {name}",
                self._hz(SITUATIONS[name]) / open_hz - 1 if open_hz > 0 else math.nan,
            )
        steady = self.model.oscillate(replace(idle, joints_open=self.joints_open))
        yield "rel jitter", steady.sigma_hz / open_hz if open_hz > 0 else math.nan
        for name, terminal in self.parts.items():
            situation = _powered(pins=_K1 if terminal.kind == "inductor" else {}, terminal=terminal)
            yield f"Hz {name}", self._hz(situation)
        timebase_hz = self._hz(replace(idle, sources=(GENERATOR,)))
        yield "rel timebase", timebase_hz / GENERATOR.frequency_hz - 1


def between_points(netlist: Netlist) -> tuple[tuple[str, str], ...]:
    """Pairs of points between which a resistance is worth a look: each to ground, and what a component joins."""
    points = {net: name for name, net in netlist.test_points.items()}
    pairs = dict.fromkeys((name, netlist.ground) for name in netlist.test_points)
    for part in netlist.components:
        there = sorted({points[pin.net] for pin in part.pins if pin.net in points})
        pairs |= dict.fromkeys(combinations(there, 2))
    return tuple(pairs)
