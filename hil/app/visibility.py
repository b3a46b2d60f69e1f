"""Which faults could be seen, whatever the checks are: the circuit model, the bench's instruments and its kit.

The electrical looks come from `hil.circuit.looks`; here the answers are added that the meter derives from its counts
(as found with its nominal constants, and relative to the part that adjusts them), what arrives over its port and on its
display, and how well this bench would know each of them.
"""

import math
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from hil.app.budgets import NOMINAL_CCAL_F, circumstances_of
from hil.app.check_files import Files, value_today
from hil.circuit.board import BoardModel, Terminal, draw_values
from hil.circuit.faults import parse_faults
from hil.circuit.looks import SITUATIONS, look_at
from hil.circuit.netlist import Netlist
from hil.core import lc
from hil.core.equipment import Kit, Part
from hil.core.reading_budget import Circumstances, error_budget
from hil.core.visibility import Looked, Moved, Range
from hil.sim.wiring import DISPLAY_ENDS, UART_IN_END, UART_OUT_END, arriving_ends

GOOD_UNITS = 300
JIG_F, JIG_H = 1.3e-12, 60e-9  # a jig as the simulated one; what is constant of it is in good units as well
_COUNTED = ("Hz", "rel", "=")  # kinds of answers that come over the serial port …
_SEEN_BY_EYE = (" lit,", "current limit", "display")  # … but not these
NOISE, COUNT_HZ = 2e-6, 1.0  # of a gate


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """What one looks with: netlist, reference parts with the jig around them, and what U each look has."""

    netlist: Netlist
    kit: Kit
    circumstances: Circumstances
    today: str
    terminals: Mapping[str, Terminal] = field(repr=False)
    _known: dict[tuple[str, float], float] = field(default_factory=dict, repr=False)

    def at(self, fault: str = "", serial: str = "") -> Iterator[tuple[str, float]]:
        """All looks at a unit, one after the other; worked out as they are asked for.

        Args:
            fault: one or several with spaces between them.
            serial: decides the values of its components, as in a unit on the simulated bench; "": all nominal.

        Raises:
            ValueError: no such fault.
        """
        values = draw_values(self.netlist, lambda name: random.Random(f"{serial}/{name}").random()) if serial else {}
        model = BoardModel(self.netlist, values, parse_faults(fault.split(), self.netlist))
        joints_open = model.intermittent > 0
        arriving = arriving_ends(model, joints_open=joints_open)
        idle = model.solve(replace(SITUATIONS["idle"], joints_open=joints_open))
        shown = arriving >= DISPLAY_ENDS and idle.display_powered and idle.mcu_runs
        yield "= display shows", float(shown)
        is_heard = arriving >= {UART_IN_END, UART_OUT_END}
        looks = {}
        for name, value in look_at(model, self.terminals, joints_open=joints_open):
            looks[name] = value
            yield name, value if is_heard or not _is_answer(name) else math.nan
        for name, value in self._derived(looks).items():
            yield name, value if is_heard else math.nan

    def good(self, number: int) -> dict[str, float]:
        """All looks at the good unit with this number, its components within their tolerances."""
        return dict(self.at(serial=f"QM2-{number + 1:05d}"))

    def _derived(self, looks: Mapping[str, float]) -> dict[str, float]:
        """C1, L1 and every part as found, and after the adjustment at the part that is meant for it."""
        try:
            tank = lc.tank(looks["Hz open"], looks["Hz ccal"], NOMINAL_CCAL_F)
        except ValueError:
            tank = lc.Tank(capacitance_f=math.nan, inductance_h=math.nan)
        found = {"F C1": tank.capacitance_f, "H L1": tank.inductance_h}
        zero_h = self._measured(tank, looks, "inductor", "short")
        for name, terminal in self.terminals.items():
            kind = terminal.kind
            value = self._measured(tank, looks, kind, name) - (zero_h if kind == "inductor" else 0.0)
            found[f"{_UNIT[kind]} {name}"] = value
        for kind, unit in _UNIT.items():
            adjusts = next((name for name in self._names(kind) if self.kit[name].use == "adjust"), None)
            if adjusts is None:
                continue
            indicated = found[f"{unit} {adjusts}"]
            ratio = value_today(self.kit[adjusts], self.today) / indicated if indicated else math.nan
            for name in self._names(kind):
                found[f"{unit} {name}, adjusted"] = found[f"{unit} {name}"] * ratio
        return found

    def _names(self, kind: str) -> list[str]:
        return [name for name, terminal in self.terminals.items() if terminal.kind == kind]

    @staticmethod
    def _measured(tank: lc.Tank, looks: Mapping[str, float], kind: str, name: str) -> float:
        loaded_hz = looks[f"Hz {name}"]
        if not loaded_hz > 0:
            return math.nan
        formula = lc.inductance_h if kind == "inductor" else lc.capacitance_f
        return formula(tank, looks["Hz open"], loaded_hz)

    def expanded_uncertainty(self, name: str, value: float) -> float:
        """U of a look at a value, k = 2; 0 for a yes or no."""
        if (name, value) not in self._known:  # asked for at the same edges of ranges again and again
            self._known[name, value] = self._uncertainty(name, value)
        return self._known[name, value]

    def _uncertainty(self, name: str, value: float) -> float:
        kind, _, rest = name.partition(" ")
        if kind in ("V", "ohm", "A"):
            role, quantity = _INSTRUMENTS[kind]
            return _of_rectangle(self.circumstances.accuracies[role, quantity].half_width(value))
        if kind == "Hz":
            return math.hypot(2 * NOISE * value, _of_triangle(COUNT_HZ))
        if kind in ("F", "H"):
            return self._of_derived(rest, value)
        if kind == "rel":
            return self._of_ratio(rest, value)
        return 0.0

    def _of_derived(self, rest: str, value: float) -> float:
        name, _, adjusted = rest.partition(", ")
        if name in ("C1", "L1"):
            return 1e-4 * value  # the meter's own noise and counts: 2 parts of 10 000 at most (k = 2), see `tank_error`
        own = self._of_part(self.kit[name], value)
        if not adjusted:
            return own
        other = next(one for one in self.kit.parts.values() if one.use == "adjust" and one.unit == self.kit[name].unit)
        return math.hypot(own, self._of_part(other, other.value) / other.value * value)

    def _of_part(self, part: Part, value: float) -> float:
        budget = error_budget(value, part, part.unit, self.circumstances)
        assert budget is not None
        return budget.expanded_uncertainty

    def _of_ratio(self, rest: str, value: float) -> float:
        if rest.startswith("pack"):
            return _of_rectangle(1 / 2048)  # half a step of the converter
        if rest.startswith("change"):
            return 2 * math.sqrt(2) * NOISE
        if rest == "jitter":
            return 2 * value / math.sqrt(8)  # of five gates, GUM E.4.3
        return _of_rectangle(self.circumstances.accuracies["generator", "frequency"].relative + 0.25e-6)


_UNIT = {"capacitor": "F", "inductor": "H"}
_INSTRUMENTS = {"V": ("voltmeter", "voltage"), "ohm": ("voltmeter", "resistance"), "A": ("supply", "current")}


def _is_answer(name: str) -> bool:
    kind = name.split()[0]
    return kind in ("Hz", "F", "H", "rel") or (kind == "=" and not any(word in name for word in _SEEN_BY_EYE))


def _of_rectangle(half_width: float) -> float:
    return 2 * half_width / math.sqrt(3)


def _of_triangle(half_width: float) -> float:
    return 2 * half_width / math.sqrt(6)


def looking(files: Files, netlist: Netlist, today: str) -> Looking:
    """What one looks with, from the files of a check.

    Raises:
        UsageError: the bench has no meter.
    """
    return Looking(
        netlist=netlist,
        kit=files.kit,
        circumstances=circumstances_of(files.bench, today),
        today=today,
        terminals={
            name: _terminal(part, today)
            for name, part in files.kit.parts.items()
            if part.kind in _UNIT and part.use in ("verify", "adjust")
        },
    )


def _terminal(part: Part, today: str) -> Terminal:
    value, parallel_f = value_today(part, today), part.parallel_capacitance_f or 0.0
    if part.self_resonance_hz is not None:
        value *= 1 - ((part.frequency_hz or 0.0) / part.self_resonance_hz) ** 2
        parallel_f = 1 / ((2 * math.pi * part.self_resonance_hz) ** 2 * value)
    return Terminal(
        kind=part.kind,
        value=value,
        series_resistance_ohm=part.series_resistance_ohm,
        parallel_capacitance_f=parallel_f,
        jig_capacitance_f=JIG_F,
        jig_inductance_h=JIG_H,
    )


def moved_by(fault: str, serial: str, looks: Looking, ranges: Mapping[str, Range]) -> tuple[Moved, ...]:
    """What a fault moves in the unit with this serial number; empty when it is invisible there."""
    return _looked(serial, looks, ranges).beyond(dict(looks.at(fault, serial)))


def first_moved_by(fault: str, serial: str, looks: Looking, ranges: Mapping[str, Range]) -> tuple[Moved, ...]:
    """The first of it that is found, whether there is more or not: far quicker for most faults."""
    first = _looked(serial, looks, ranges).first_beyond(looks.at(fault, serial))
    return () if first is None else (first,)


def _looked(serial: str, looks: Looking, ranges: Mapping[str, Range]) -> Looked:
    seen: dict[str, float] = {}
    rest = looks.at(serial=serial)

    def without(name: str) -> float:
        while name not in seen:
            found, value = next(rest)
            seen[found] = value
        return seen[name]

    return Looked(ranges=ranges, expanded_uncertainty=looks.expanded_uncertainty, without=without)
