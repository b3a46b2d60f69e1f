"""The simulated operator: hands and eyes on the virtual unit, and a reader of instruments.

Understands the requests of `hil.real.by_hand` well enough to set supply and generator. Fits a wrong part or mistypes
only when that trouble is asked for.
"""

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hil.core.units import quantity

if TYPE_CHECKING:
    from hil.sim.bench import SimulatedBench

_FIT_S, _PROBE_S, _LOOK_S, _ANSWER_S, _READ_S = 6.0, 3.0, 1.5, 2.0, 2.5
_BOUNCE_S, _LET_GO_S = 0.002, 0.1
_GLANCE_S = 0.2  # between two looks of somebody who watches; what flickers for less is missed
_VALUE = r"(-?[\d.]+ \S+)"


class SimOperator:
    """A `hil.ports.Operator`."""

    def __init__(self, bench: "SimulatedBench") -> None:
        self._bench = bench
        self._has_erred = False
        self._seen: set[tuple[bool, ...]] = set()
        self._is_watching = False
        self._polarity = 1  # of the supply's leads

    def insert(self, serial: str) -> None:
        """Put the unit with this serial number into the jig; the bench tells which it is."""
        self._spend(_FIT_S)

    def fit(self, part: str, description: str) -> None:
        """Put a part to the terminals."""
        trouble = self._bench.troubles.at("bench.operator")
        if (
            trouble is not None
            and trouble.effect == "wrong_part"
            and not self._has_erred
            and trouble.detail in ("", part)
        ):
            names = [name for name in self._bench.setup.parts if name not in ("open", "short")]
            if part in names:
                part = names[names.index(part) - 1]
                self._has_erred = True
        self._spend(_FIT_S)
        self._bench.set_part_by_hand(None if part == "open" else part)

    def probe(self, point: str, instrument: str = "probe") -> None:
        """Hold an instrument to a point; the virtual board feels all of them alike."""
        self._spend(_PROBE_S)
        self._bench.set_point_by_hand(point)

    def request(self, text: str) -> None:
        """Do what is asked."""
        self.confirm(text)

    def press(self, keys: Sequence[str], seconds: float) -> None:
        """Hold keys down for a time; their contacts bounce."""
        pressed = tuple(sorted(keys))
        self._spend(_ANSWER_S)
        self._bounce(pressed)
        self._spend(max(seconds, 4 * _BOUNCE_S))
        self._bounce(())
        self._spend(_LET_GO_S)

    def _bounce(self, keys: tuple[str, ...]) -> None:
        bench, before = self._bench, self._bench.keys
        bench.set_keys(keys)
        bench.later(_BOUNCE_S, lambda: bench.set_keys(before))
        bench.later(2 * _BOUNCE_S, lambda: bench.set_keys(keys))

    def read_display(self) -> str:
        """What stands on the display, both lines."""
        self._spend(_LOOK_S)
        lines = self._bench.display_text()
        trouble = self._bench.troubles.at("bench.operator")
        text = "\n".join(line for line in lines if line)
        return text[::-1] if trouble is not None and trouble.effect == "mistypes" else text

    def lamp_is_lit(self, lamp: str) -> bool:
        """Look at a lamp."""
        self._spend(_LOOK_S)
        return self._bench.lamp_is_lit(lamp)

    def watch(self) -> None:
        """Keep an eye on display and lamps."""
        self._spend(_LOOK_S)
        self._seen, self._is_watching = set(), True
        self._glance()

    def _glance(self) -> None:
        if self._is_watching:
            lit = (self._bench.lamp_is_lit(lamp) for lamp in ("LED1", "LED2"))
            self._seen.add((*lit, any(self._bench.display_text())))
            self._bench.later(_GLANCE_S, self._glance)

    def was_steady(self) -> bool:
        """Whether they looked alike at every glance; one that was not watching cannot say so."""
        self._spend(_ANSWER_S)
        self._is_watching = False
        return len(self._seen) == 1

    def confirm(self, question: str) -> bool:
        """Do what is asked, or look, and answer."""
        self._spend(_ANSWER_S)
        if "limits the current" in question:
            return self._bench.supply_limits()
        if "out of the jig" in question:
            self._bench.remove()
        self._set_supply(question)
        self._set_generator(question)
        return True

    def _set_supply(self, question: str) -> None:
        supply = self._bench.supply
        if "Exchange the leads of the supply" in question:
            self._polarity = -1
        elif "the right way round again" in question:
            self._polarity = 1
        found = re.search(rf"the supply to {_VALUE}, current limit {_VALUE}\.", question)
        if found:
            self._finish(supply.set_voltage(self._polarity * quantity(found[1], "V")))
            self._finish(supply.set_limit(quantity(found[2], "A")))
        found = re.search(r"output of the supply (on|off)", question)
        if found:
            self._finish(supply.switch(found[1] == "on"))

    def _set_generator(self, question: str) -> None:
        generator = self._bench.generator
        found = re.search(rf"a square wave of {_VALUE} between 0 V and {_VALUE}, output on", question)
        if found:
            self._finish(generator.set_frequency(quantity(found[1], "Hz")))
            self._finish(generator.set_high(quantity(found[2], "V")))
            self._finish(generator.set_low(0.0))
            self._finish(generator.switch(True))
        if "output of the generator off" in question:
            self._finish(generator.switch(False))

    def _finish(self, work: object) -> None:
        for _ in work:  # type: ignore[attr-defined]
            pass

    def read_value(self, role: str, what: str, unit: str) -> float:
        """Read an instrument that only a person can read."""
        bench, begin_s = self._bench, self._bench.clock.monotonic_s()
        self._spend(_READ_S)
        if role == "supply":
            return bench.supply.voltage_v() if unit == "V" else bench.supply.current_a()
        if role == "counter":
            return bench.counter.value(begin_s)
        if role == "thermometer":
            return bench.thermometer.value()
        return bench.voltmeter.value({"V": "voltage", "ohm": "resistance", "A": "current"}[unit])

    def _spend(self, seconds: float) -> None:
        self._bench.clock.sleep(seconds)
        self._bench.sync()
