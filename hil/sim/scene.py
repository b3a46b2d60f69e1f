"""What is physically there at one moment: board, supply, jig, needles, fingers - and what follows from it.

`settle` solves the board under the present conditions and lets the processor feel the result, until both agree. What
the oscillator does is kept as a short history, so that a gate can be integrated afterwards over whatever has changed
in between.
"""

import heapq
import itertools
import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from hil.circuit.board import Conditions, Operating, Source, Terminal
from hil.circuit.netlist import Netlist
from hil.sim.clock import SimClock
from hil.sim.fitting import AS_DRAWN
from hil.sim.instruments.measuring import INPUT_OHM
from hil.sim.jig import Jig
from hil.sim.nominal import GROUND, Nominal
from hil.sim.processor import Processor
from hil.sim.setup import BenchSetup
from hil.sim.streams import Streams
from hil.sim.trouble import Troubles
from hil.sim.unit import VirtualUnit
from hil.sim.warmth import Warmth
from hil.sim.wiring import DISPLAY_ENDS, UART_IN_END, UART_OUT_END

T0_POINT = "TP_T0"
_ROUNDS = 12  # of board and processor until they agree; a unit that resets itself again and again never does
_HISTORY_S = 30.0
_TEMPERATURE_STEP_K = 2.0
_ADC_NOISE_V = 0.0015
_POOL, _LONGEST_BURST = 4096, 64
_RESET_LOW, _INPUT_HIGH = 0.2, 0.5  # of the supply
_LAMP_VISIBLE_A = 0.3e-3
_GENERATOR_OHM, _GENERATOR_LOW_V = 50.0, 1.0  # a lower level above this makes no edge at T0
_FELT = ("U3.7", "U3.1", "U3.PD2", "U3.PD3")  # supply, reset, keys
_WOBBLE_S = 0.35  # how long an intermittent joint stays as it is
_UNPOWERED = Conditions(mcu="reset")


@dataclass(frozen=True, slots=True)
class _Span:
    """What the oscillator works under from one moment on."""

    since_s: float
    conditions: Conditions | None  # None: no unit, or no power


@lru_cache(maxsize=1024)
def _powered(
    supply_v: float,
    limit_a: float,
    pins: tuple[tuple[str, str], ...],
    mcu: str,
    terminal: Terminal,
    keys: tuple[str, ...],
    sources: tuple[Source, ...],
    joints_open: bool,
    temperature_degc: float,
) -> Conditions:
    """The same conditions are the same object, which is found again faster than an equal one."""
    return Conditions(
        supply_v=supply_v,
        supply_limit_a=limit_a,
        pins=pins,
        mcu=mcu,
        terminal=terminal,
        keys=keys,
        sources=sources,
        joints_open=joints_open,
        temperature_degc=temperature_degc,
    )


class Scene:
    """Present state of the bench; a `hil.sim.processor.Surroundings` for the processor in the jig."""

    def __init__(
        self, setup: BenchSetup, netlist: Netlist, clock: SimClock, fixed: Streams, jig: Jig, warmth: Warmth
    ) -> None:
        self.netlist = netlist
        self.setup, self.clock, self.fixed, self.jig, self.warmth = setup, clock, fixed, jig, warmth
        self.at_s = 0.0
        self.noise, self.troubles, self.fitting = fixed, Troubles(), AS_DRAWN
        self.unit: VirtualUnit | None = None
        self.processor: Processor | None = None
        self.operating: Operating | None = None
        self.driven: Mapping[str, str] = {}
        self.keys: tuple[str, ...] = ()
        self.part_by_hand: str | None = None
        self.point_by_hand: str | None = None
        self._later: list[tuple[float, int, Callable[[], None]]] = []  # a heap
        self._order = itertools.count()
        self._joints_open = False
        self._wiring: tuple[VirtualUnit, bool, frozenset[str]] | None = None
        self._nominal = Nominal(netlist, INPUT_OHM)
        self._terminal_now: tuple[object, Terminal] = (None, Terminal())
        self._supply_v: float | None = None
        self._limit_a = 0.1
        self._closed: tuple[int, ...] = ()
        self._generator = (0.0, 0.0, 0.0)
        self._parts = {channel: name for name, channel in setup.part_channels.items()}
        self._probes = {channel: name for name, channel in setup.probe_channels.items()}
        self._spans: deque[_Span] = deque([_Span(0.0, None)])
        # A pool of normal numbers: a meter that converts 64 times a second must not draw each one anew.
        self._adc_noise_v = [_ADC_NOISE_V * fixed.gauss("adc.pool") for _ in range(_POOL + _LONGEST_BURST)]
        self._settling = False
        self._solved_under: Conditions | None = None
        self._levels = (True, True)  # of the keys

    # What is there

    def _conditions(self) -> Conditions:
        processor = self.processor
        assert processor is not None
        state = "running" if processor.is_running() else "reset" if processor.is_programmed() else "blank"
        if self._supply_v is None:
            return _UNPOWERED  # few distinct conditions: their solutions are found again
        return _powered(
            self._supply_v,
            self._limit_a,
            tuple(sorted(processor.drives().items())),
            state,
            self._terminal(),
            self.keys,
            self._sources(),
            self._joints_open,
            self._stepped_degc(),
        )

    def _unpowered(self) -> Conditions:
        return replace(_UNPOWERED, terminal=self._terminal(), keys=self.keys, joints_open=self._joints_open)

    def _terminal(self) -> Terminal:
        key = (self._connected_parts(), round(self.ambient_degc()), self.fitting)
        if self._terminal_now[0] != key:
            self._terminal_now = key, self.jig.terminal(key[0], key[1], self.troubles.part_moved, self.fitting)
        return self._terminal_now[1]

    def _stepped_degc(self) -> float:
        return _TEMPERATURE_STEP_K * round(self.warmth.board_degc(self.at_s) / _TEMPERATURE_STEP_K)

    def _connected_parts(self) -> tuple[str, ...]:
        by_selector = tuple(self._parts[channel] for channel in self._closed if channel in self._parts)
        return by_selector if self.part_by_hand is None else (*by_selector, self.part_by_hand)

    def _probed(self) -> tuple[str, ...]:
        if self.point_by_hand is not None:
            high, _, low = self.point_by_hand.partition(":")
            return (high, low) if low else (high,)
        points = (self._probes[channel] for channel in self._closed if channel in self._probes)
        generates = (
            self._generator[0] > 0
        )  # the needle at T0 is the generator's; one that is off leaves it to the others
        return tuple(point for point in points if point != T0_POINT or not generates)[:2]

    def _sources(self) -> tuple[Source, ...]:
        """The generator at T0, past the comparator."""
        by_selector = any(self._probes.get(channel) == T0_POINT for channel in self._closed)
        frequency_hz, low_v, high_v = self._generator
        if not (by_selector or self.point_by_hand == T0_POINT) or frequency_hz <= 0 or low_v > _GENERATOR_LOW_V:
            return ()
        contact_ohm = self.troubles.contact_ohm(T0_POINT)
        if math.isinf(contact_ohm):
            return ()
        ohm = _GENERATOR_OHM + contact_ohm
        return (Source(point=T0_POINT, voltage_v=high_v, resistance_ohm=ohm, frequency_hz=frequency_hz),)

    # Changes

    def set_supply(self, voltage_v: float | None, limit_a: float) -> None:
        """True voltage and limit of the supply's output; None: off."""
        self._supply_v, self._limit_a = voltage_v, limit_a
        self.settle()

    def set_channels(self, closed: tuple[int, ...]) -> None:
        """Closed channels of the selector, in the order of closing."""
        self._closed = closed
        self.settle()

    def channels(self) -> frozenset[int]:
        """Channels that are wired."""
        return frozenset(self._parts) | frozenset(self._probes)

    def set_generator(self, frequency_hz: float, low_v: float, high_v: float) -> None:
        """True output of the generator; 0 Hz: off."""
        self._generator = (frequency_hz, low_v, high_v)
        self.settle()

    def set_keys(self, keys: tuple[str, ...]) -> None:
        """Keys that are pressed."""
        self.keys = keys
        self.settle()

    def set_part_by_hand(self, part: str | None) -> None:
        """What the operator has put to the terminals."""
        self.part_by_hand = part
        self.settle()

    def set_point_by_hand(self, point: str | None) -> None:
        """Where the operator holds the probe."""
        self.point_by_hand = point
        self.settle()

    def later(self, delay_s: float, action: Callable[[], None]) -> None:
        """Have something happen."""
        heapq.heappush(self._later, (self.at_s + delay_s, next(self._order), action))

    def restart_meter(self) -> None:
        """Somebody resets the meter."""
        if self.processor is not None:
            self.processor.reset_pin(True, self.at_s)
            self.processor.reset_pin(False, self.at_s)
            self.settle()

    def _forget_probes(self) -> None:
        self.keys, self.part_by_hand, self.point_by_hand = (), None, None
        self._later.clear()
        self._joints_open = False
        if self.unit is not None and self.unit.model.intermittent > 0:
            self.later(_WOBBLE_S, self._wobble)

    def _wobble(self) -> None:
        """An intermittent joint opens or closes by chance."""
        assert self.unit is not None
        is_open = self.noise.uniform("joint") < self.unit.model.intermittent
        if is_open != self._joints_open:
            self._joints_open = is_open
            self.settle()
        self.later(_WOBBLE_S, self._wobble)

    def settle(self) -> None:
        """Solve the board under the present conditions, until board and processor agree."""
        if self._settling:
            return
        unit, processor = self.unit, self.processor
        if unit is None or processor is None:
            self.operating, self.driven = None, {}
            self._solved_under = None
            self._remember(None)
            return
        self._settling = True
        for _ in range(_ROUNDS):
            conditions = self._conditions()
            self.driven, was_running = processor.drives(), processor.is_running()
            if conditions is self._solved_under:  # a probe has moved, or a setting stays as it was
                break
            self.operating, self._solved_under = unit.model.solve(conditions), conditions
            self._feel(processor)
            if processor.drives() == self.driven and processor.is_running() == was_running:
                break
        self._settling = False
        power_w = abs((self._supply_v or 0.0) * self.operating.supply_current_a) if self.operating else 0.0
        self.warmth.set_power(power_w, self.at_s)
        self._remember(conditions)

    def _feel(self, processor: Processor) -> None:
        assert self.operating is not None
        vcc_v, reset_v, *keys_v = map(self.operating.pins.__getitem__, _FELT)
        processor.power(vcc_v, self.at_s)
        processor.reset_pin(vcc_v > 0 and reset_v < _RESET_LOW * vcc_v, self.at_s)
        levels = keys_v[0] > _INPUT_HIGH * vcc_v, keys_v[1] > _INPUT_HIGH * vcc_v
        if levels != self._levels:
            self._levels = levels
            processor.inputs_changed(self.at_s)

    def _pin_v(self, number: str) -> float:
        return self.operating.pins[f"U3.{number}"] if self.operating is not None else 0.0

    # Surroundings of the processor

    def adc_v(self, channel: int, at_s: float) -> float:
        """Voltage at an ADC pin, V."""
        return self._pin_v(f"PC{channel}") + _ADC_NOISE_V * self.noise.gauss("adc")

    def adc_samples_v(self, channel: int, at_s: float, count: int) -> Sequence[float]:
        """As many voltages, V, each with its own noise."""
        volts, start = self._pin_v(f"PC{channel}"), self.noise.index("adc", _POOL)
        return [volts + noise_v for noise_v in self._adc_noise_v[start : start + count]]

    def aref_v(self) -> float:
        """Voltage at AREF, V."""
        return self._pin_v("21")

    def pin_is_high(self, pin: str) -> bool:
        """Level at an input."""
        return self._pin_v(pin) > _INPUT_HIGH * self._pin_v("7")

    def clock_hz(self, at_s: float) -> float:
        """The crystal's frequency, Hz; 0.0 when it does not run."""
        return self.operating.mcu_clock_hz if self.operating is not None else 0.0

    def t0_pulses(self, from_s: float, to_s: float) -> float:
        """Rising edges at T0 between two bench times, with their noise."""
        return self._pulses(from_s, to_s, "t0", at_t0=True)

    def _remember(self, conditions: Conditions | None) -> None:
        powered = conditions if conditions is not None and conditions.supply_v is not None else None
        last = self._spans[-1].conditions
        if last is not powered and last != powered:
            self._spans.append(_Span(self.at_s, powered))
        while len(self._spans) > 1 and self._spans[1].since_s < self.at_s - _HISTORY_S:
            self._spans.popleft()

    def _pulses(self, from_s: float, to_s: float, name: str, *, at_t0: bool) -> float:
        total, end_s = 0.0, to_s
        for span in reversed(self._spans):
            begin_s = max(from_s, span.since_s)
            if begin_s < end_s:
                total += self._pulses_of(span, begin_s, end_s, name, at_t0=at_t0)
                end_s = begin_s
            if span.since_s <= from_s:
                break
        return total

    def _pulses_of(self, span: _Span, begin_s: float, end_s: float, name: str, *, at_t0: bool) -> float:
        seconds = end_s - begin_s
        if span.conditions is None or self.unit is None:
            return 0.0
        model, conditions = self.unit.model, span.conditions
        found = model.oscillate(conditions)
        frequency_hz = found.t0_frequency_hz if at_t0 else found.frequency_hz
        if frequency_hz <= 0:
            return 0.0
        if at_t0 and span.conditions.sources:
            return frequency_hz * seconds  # the generator's: without the comparator's noise
        away_k = self.warmth.board_degc((begin_s + end_s) / 2) - conditions.temperature_degc
        frequency_hz *= math.exp(self._nominal.slope_per_k(model, conditions) * away_k)
        pulses = frequency_hz * (1 + found.extra_edges) * seconds
        return max(0.0, pulses + found.sigma_hz * math.sqrt(seconds) * self.noise.gauss(name))

    # What instruments and eyes see

    def ambient_degc(self) -> float:
        """Air at the jig, degC."""
        return self.warmth.ambient_degc(self.at_s)

    def supply_voltage_v(self) -> float:
        """Voltage at the supply's output, V."""
        if self._supply_v is None:
            return 0.0
        if self.operating is None or not self.operating.in_current_limit:
            return self._supply_v
        return self.operating.voltage_v("VBAT")

    def supply_current_a(self) -> float:
        """Current out of the supply, A."""
        return self.operating.supply_current_a if self.operating is not None and self._supply_v is not None else 0.0

    def supply_limits(self) -> bool:
        """Whether the current limit holds the voltage down."""
        return self._supply_v is not None and self.operating is not None and self.operating.in_current_limit

    def probe_voltage_v(self) -> float:
        """Voltage between the leads of the probe, V, loaded by the voltmeter's input."""
        points = self._probed()
        if not points or self.unit is None or any(math.isinf(self.troubles.contact_ohm(point)) for point in points):
            return 0.0
        high, low = points[0], points[1] if len(points) > 1 else GROUND
        if high == low:
            return 0.0
        conditions = self._conditions() if self._supply_v is not None else self._unpowered()
        model = self.unit.model
        if not (self._nominal.is_stiff(model, high) and self._nominal.is_stiff(model, low)):
            load = (high, low, INPUT_OHM + self.troubles.contact_ohm(high))
            conditions = replace(conditions, loads=(load,))
        operating = model.solve(conditions)
        volts = self._point_v(operating, high) - self._point_v(operating, low)
        return volts * INPUT_OHM / (INPUT_OHM + self.troubles.contact_ohm(high) + self.troubles.contact_ohm(low))

    def _point_v(self, operating: Operating, point: str) -> float:
        return 0.0 if point == GROUND else operating.voltage_v(point)

    def probe_resistance_ohm(self) -> float:
        """Resistance between the leads of the probe, ohm; infinite when over range or when voltage is there."""
        points = self._probed()
        if not points or self.unit is None:
            return math.inf
        high, low = points[0], points[1] if len(points) > 1 else GROUND
        path_ohm = 2 * self.jig.lead_ohm()
        for point in dict.fromkeys((high, low)):
            needle_ohm = self.jig.contact_ohm(point) + self.fitting.contact_ohm(point)
            path_ohm += max(0.0, needle_ohm) + self.troubles.contact_ohm(point)
        if high == low or math.isinf(path_ohm):
            return path_ohm
        if self._supply_v is not None:
            return math.inf
        seen = self.unit.model.solve(replace(self._unpowered(), ohmmeter=(high, low))).resistance_ohm
        return math.inf if seen is None else path_ohm + seen

    def probe_frequency_hz(self, from_s: float, to_s: float) -> float:
        """Mean frequency at the probe between two bench times, Hz; 0.0 when nothing swings there."""
        points = self._probed()
        if points[:1] != ("TP_COMP",) or to_s <= from_s or math.isinf(self.troubles.contact_ohm("TP_COMP")):
            return 0.0
        return self._pulses(from_s, to_s, "counter", at_t0=False) / (to_s - from_s)

    def lamp_is_lit(self, lamp: str) -> bool:
        """Whether a lamp gives light."""
        return self.operating is not None and self.operating.lamps.get(lamp, 0.0) > _LAMP_VISIBLE_A

    def display_text(self) -> tuple[str, str]:
        """What stands on the display; nothing when its supply or one of its lines is dead."""
        unit, processor = self.unit, self.processor
        if unit is None or processor is None or self.operating is None or not self.operating.display_powered:
            return ("", "")
        return processor.display() if self._arriving() >= DISPLAY_ENDS else ("", "")

    def uart_is_wired(self) -> tuple[bool, bool]:
        """Whether bytes get through to the meter, and from it."""
        if self.processor is None or not self.processor.is_running():
            return (False, False)
        arriving = self._arriving()
        return UART_IN_END in arriving, UART_OUT_END in arriving

    def _arriving(self) -> frozenset[str]:
        unit, joints_open = self.unit, self._joints_open
        assert unit is not None
        if self._wiring is None or self._wiring[0] is not unit or self._wiring[1] != joints_open:
            self._wiring = unit, joints_open, self._nominal.arriving_ends(unit.model, joints_open=joints_open)
        return self._wiring[2]
