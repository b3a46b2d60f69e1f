"""DC supply, bipolar, with current limit and readback.

[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude] V | ?       −20 V to 20 V; negative is wrong polarity on purpose
[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude] A | ?       limit, 0 to 2 A
OUTPut[:STATe] ON|OFF | ?
MEASure[:SCALar]:VOLTage[:DC]? MEASure[:SCALar]:CURRent[:DC]?
STATus:QUEStionable[:EVENt]? STATus:QUEStionable:CONDition?  bit 0: the voltage is not what was set: current limit
STATus:PRESet
"""

from typing import Protocol

from hil.core.equipment import Accuracy
from hil.sim.instruments.base import SETTLING_S, DataSheet, Instrument, Place
from hil.sim.setup import SimInstrument
from hil.wire.scpi import Boolean, Command, Number, Seconds, number

_MEASURING_S = 0.02
_SHEETS = {
    "voltage": DataSheet(accuracy=Accuracy(relative=0.0005, absolute=0.005), noise=0.0005, resolution=0.001),
    "current": DataSheet(accuracy=Accuracy(relative=0.002, absolute=0.0005), noise=0.00003, resolution=0.0001),
}
_LIMIT_CURRENT = 1


class SupplyPlace(Place, Protocol):
    """The bench as a supply sees it."""

    def set_supply(self, voltage_v: float | None, limit_a: float) -> None: ...
    def supply_voltage_v(self) -> float: ...
    def supply_current_a(self) -> float: ...
    def supply_limits(self) -> bool: ...


class DcSupply(Instrument):
    """The supply that stands for the pack."""

    place: SupplyPlace

    def __init__(self, place: SupplyPlace, setup: SimInstrument) -> None:
        self._voltage_v, self._limit_a, self._is_on, self._has_limited = 0.0, 0.1, False, False
        super().__init__(place, setup, "DC SUPPLY 20V 2A", _SHEETS)

    def commands(self) -> dict[str, Command]:
        level = "[:LEVel][:IMMediate][:AMPLitude]"
        return {
            f"[SOURce:]VOLTage{level}": Command(self.set_voltage, (Number(low=-20, high=20, unit="V"),)),
            f"[SOURce:]VOLTage{level}?": Command(lambda: number(self._voltage_v)),
            f"[SOURce:]CURRent{level}": Command(self.set_limit, (Number(low=0, high=2, unit="A"),)),
            f"[SOURce:]CURRent{level}?": Command(lambda: number(self._limit_a)),
            "OUTPut[:STATe]": Command(self.switch, (Boolean(),)),
            "OUTPut[:STATe]?": Command(lambda: str(int(self._is_on))),
            "MEASure[:SCALar]:VOLTage[:DC]?": Command(self._measure_voltage),
            "MEASure[:SCALar]:CURRent[:DC]?": Command(self._measure_current),
            "STATus:QUEStionable[:EVENt]?": Command(self._questionable_event),
            "STATus:QUEStionable:CONDition?": Command(lambda: str(int(self.place.supply_limits()))),
            "STATus:PRESet": Command(lambda: None),
        }

    def reset(self) -> None:
        self._voltage_v, self._limit_a, self._is_on = 0.0, 0.1, False
        self._apply()

    def set_voltage(self, voltage_v: float) -> Seconds:
        """Set the voltage, V."""
        self._voltage_v = voltage_v
        yield SETTLING_S
        self._apply()
        return None

    def set_limit(self, limit_a: float) -> Seconds:
        """Set the current limit, A."""
        self._limit_a = limit_a
        yield SETTLING_S
        self._apply()
        return None

    def switch(self, on: bool) -> Seconds:
        """Switch the output."""
        self._is_on = on
        self._apply()
        yield SETTLING_S
        return None

    def _apply(self) -> None:
        voltage_v = self.setting_error("voltage", self._voltage_v) if self._is_on else None
        self.place.set_supply(voltage_v, max(0.0, self.setting_error("current", self._limit_a)))
        self._has_limited |= self.place.supply_limits()

    def _questionable_event(self) -> str:
        event, self._has_limited = self._has_limited, self.place.supply_limits()
        return str(int(event))

    def voltage_v(self) -> float:
        """Readback, V."""
        return self.with_error("voltage", self.place.supply_voltage_v())

    def current_a(self) -> float:
        """Readback, A."""
        return self.with_error("current", self.place.supply_current_a())

    def _measure_voltage(self) -> Seconds:
        return self.measuring(_MEASURING_S, "voltage", self.place.supply_voltage_v)

    def _measure_current(self) -> Seconds:
        return self.measuring(_MEASURING_S, "current", self.place.supply_current_a)
