"""Instruments that only measure: voltmeter, counter, thermometer.

Voltmeter (10 Mohm, five and a half digits; current through a shunt in the supply lead)::

    MEASure:VOLTage[:DC]?  MEASure:RESistance?  MEASure:CURRent[:DC]?        CONFigure and READ? in the same way

Counter (input high-impedance, counts what the probe sees)::

    [SENSe:]FREQuency:APERture s | ?     MEASure:FREQuency?     0 when there is nothing to count

Thermometer (at the jig)::

    MEASure:TEMPerature?
"""

import math
from collections.abc import Callable
from typing import Protocol

from hil.core.equipment import Accuracy
from hil.sim.instruments.base import DataSheet, Instrument, Place
from hil.sim.setup import SimInstrument
from hil.wire.scpi import OVER_RANGE, Command, Number, ScpiError, Seconds, number

INPUT_OHM = 10e6
OHM_RANGE = 12e6
_DC_S, _OHM_S, _THERMOMETER_S = 0.04, 0.06, 0.05
_DIGITS = 200_000  # counts of a range
_RANGES = {
    "voltage": (0.2, 2.0, 20.0),
    "resistance": (200.0, 2e3, 20e3, 200e3, 2e6, 20e6),
    "current": (0.02, 0.2, 2.0),
}
_VOLTMETER = {
    "voltage": DataSheet(accuracy=Accuracy(relative=0.00015, absolute=0.0005), noise=0.00003),
    "resistance": DataSheet(accuracy=Accuracy(relative=0.0005, absolute=0.1), noise=0.005),
    "current": DataSheet(accuracy=Accuracy(relative=0.001, absolute=1e-5), noise=2e-6),
}
_COUNTER = {"frequency": DataSheet(accuracy=Accuracy(relative=5e-7), noise=0.0)}
_THERMOMETER = {
    "temperature": DataSheet(accuracy=Accuracy(absolute=0.3), noise=0.01, resolution=0.01),
}
_TRIGGER_NOISE_S = 2e-9  # of the counter, at each end of the gate


class VoltmeterPlace(Place, Protocol):
    """The bench as a voltmeter sees it."""

    def probe_voltage_v(self) -> float: ...
    def probe_resistance_ohm(self) -> float: ...
    def supply_current_a(self) -> float: ...


class CounterPlace(Place, Protocol):
    """The bench as a counter sees it."""

    def probe_frequency_hz(self, from_s: float, to_s: float) -> float: ...


class ThermometerPlace(Place, Protocol):
    """The bench as a thermometer sees it."""

    def ambient_degc(self) -> float: ...


class Voltmeter(Instrument):
    """DC volts, ohms and amperes."""

    place: VoltmeterPlace

    def __init__(self, place: VoltmeterPlace, setup: SimInstrument) -> None:
        self._function = "voltage"
        super().__init__(place, setup, "MULTIMETER 5.5 DIGITS", _VOLTMETER)

    def commands(self) -> dict[str, Command]:
        commands = {"READ?": Command(lambda: self._measure(self._function))}
        for header, quantity in (
            ("VOLTage[:DC]", "voltage"),
            ("RESistance", "resistance"),
            ("CURRent[:DC]", "current"),
        ):
            commands[f"MEASure[:SCALar]:{header}?"] = Command(lambda quantity=quantity: self._measure(quantity))
            commands[f"CONFigure[:SCALar]:{header}"] = Command(lambda quantity=quantity: self._configure(quantity))
        return commands

    def reset(self) -> None:
        self._function = "voltage"

    def _configure(self, quantity: str) -> None:
        self._function = quantity

    def _true(self, quantity: str) -> Callable[[], float]:
        return {
            "voltage": self.place.probe_voltage_v,
            "resistance": self.place.probe_resistance_ohm,
            "current": self.place.supply_current_a,
        }[quantity]

    def _measure(self, quantity: str) -> Seconds:
        self._function = quantity
        yield _OHM_S if quantity == "resistance" else _DC_S
        value = self.value(quantity)
        return number(math.copysign(OVER_RANGE, value) if math.isinf(value) else value)

    def value(self, quantity: str) -> float:
        """What it shows now; infinite when over range."""
        true = self._true(quantity)()
        ranges = _RANGES[quantity]
        if not abs(true) <= ranges[-1] or (quantity == "resistance" and true > OHM_RANGE):
            return math.copysign(math.inf, true)
        step = next(full for full in ranges if abs(true) <= full) / _DIGITS
        return round(self.with_error(quantity, true) / step) * step


class FrequencyCounter(Instrument):
    """Reciprocal counter."""

    place: CounterPlace

    def __init__(self, place: CounterPlace, setup: SimInstrument) -> None:
        self._aperture_s = 1.0
        super().__init__(place, setup, "COUNTER 100MHZ", _COUNTER)

    def commands(self) -> dict[str, Command]:
        aperture = Number(low=0.001, high=100.0, unit="S", default=1.0)
        return {
            "[SENSe:]FREQuency:APERture": Command(self._set_aperture, (aperture,)),
            "[SENSe:]FREQuency:APERture?": Command(lambda: number(self._aperture_s)),
            "MEASure[:SCALar]:FREQuency?": Command(self._measure),
            "READ[:FREQuency]?": Command(self._measure),
        }

    def reset(self) -> None:
        self._aperture_s = 1.0

    def _set_aperture(self, seconds: float) -> None:
        self._aperture_s = seconds

    def _measure(self) -> Seconds:
        begin_s = self.place.at_s
        yield self._aperture_s
        return number(self.value(begin_s))

    def value(self, begin_s: float) -> float:
        """Frequency over the gate that began then, Hz."""
        true = self.place.probe_frequency_hz(begin_s, self.place.at_s)
        if true <= 0:
            return 0.0
        gate_s = max(self.place.at_s - begin_s, 1e-3)
        edges = self.place.noise.gauss(f"{self.setup.role}.trigger") * _TRIGGER_NOISE_S * math.sqrt(2) / gate_s
        return self.with_error("frequency", true * (1 + edges))


class Thermometer(Instrument):
    """Air temperature at the jig."""

    place: ThermometerPlace

    def __init__(self, place: ThermometerPlace, setup: SimInstrument) -> None:
        super().__init__(place, setup, "THERMOMETER", _THERMOMETER)

    def commands(self) -> dict[str, Command]:
        return {"MEASure[:SCALar]:TEMPerature?": Command(self._measure)}

    def _measure(self) -> Seconds:
        return self.measuring(_THERMOMETER_S, "temperature", self.place.ambient_degc)

    def value(self) -> float:
        """What it shows now, degC."""
        return self.with_error("temperature", self.place.ambient_degc())


__all__ = ["INPUT_OHM", "FrequencyCounter", "ScpiError", "Thermometer", "Voltmeter"]
