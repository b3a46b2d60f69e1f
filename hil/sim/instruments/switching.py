"""Instruments that only put something out: function generator and selector.

Generator (into an open end)::

    [SOURce:]FUNCtion[:SHAPe] SQUare | ?     [SOURce:]FREQuency Hz | ?     OUTPut[:STATe] ON|OFF | ?
    [SOURce:]VOLTage[:AMPLitude] V peak to peak | ?                        [SOURce:]VOLTage:OFFSet V | ?
    [SOURce:]VOLTage:HIGH V                 [SOURce:]VOLTage:LOW V

Selector (a relay matrix)::

    ROUTe:CLOSe (@LIST)     ROUTe:OPEN (@LIST)     ROUTe:OPEN:ALL     ROUTe:CLOSe? (@LIST)  1 for each closed one
"""

from typing import Protocol

from hil.core.equipment import Accuracy
from hil.sim.instruments.base import SETTLING_S, DataSheet, Instrument, Place
from hil.sim.setup import SimInstrument
from hil.wire.scpi import Boolean, Channels, Choice, Command, Number, ScpiError, Seconds, number

_RELAY_S = 0.015
_GENERATOR = {
    "frequency": DataSheet(accuracy=Accuracy(relative=5e-7), noise=0.0),
    "voltage": DataSheet(accuracy=Accuracy(relative=0.01, absolute=0.005), noise=0.0),
}


class GeneratorPlace(Place, Protocol):
    """The bench as a generator sees it."""

    def set_generator(self, frequency_hz: float, low_v: float, high_v: float) -> None: ...


class SelectorPlace(Place, Protocol):
    """The bench as a selector sees it."""

    def channels(self) -> frozenset[int]: ...
    def set_channels(self, closed: tuple[int, ...]) -> None: ...


class FunctionGenerator(Instrument):
    """Square waves; ``set_generator(0, …)`` is an output that is off."""

    place: GeneratorPlace

    def __init__(self, place: GeneratorPlace, setup: SimInstrument) -> None:
        self._frequency_hz, self._amplitude_v, self._offset_v, self._is_on = 1000.0, 0.1, 0.0, False
        super().__init__(place, setup, "FUNCTION GENERATOR 25MHZ", _GENERATOR)

    def commands(self) -> dict[str, Command]:
        amplitude = Number(low=0.01, high=20.0, unit="VPP")
        return {
            "[SOURce:]FUNCtion[:SHAPe]": Command(self._shape, (Choice(keywords=("SQUare",)),)),
            "[SOURce:]FUNCtion[:SHAPe]?": Command(lambda: "SQU"),
            "[SOURce:]FREQuency[:CW]": Command(self.set_frequency, (Number(low=1e-3, high=25e6, unit="HZ"),)),
            "[SOURce:]FREQuency[:CW]?": Command(lambda: number(self._frequency_hz, 12)),
            "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]": Command(self.set_amplitude, (amplitude,)),
            "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?": Command(lambda: number(self._amplitude_v)),
            "[SOURce:]VOLTage:OFFSet": Command(self.set_offset, (Number(low=-10, high=10, unit="V"),)),
            "[SOURce:]VOLTage:OFFSet?": Command(lambda: number(self._offset_v)),
            "[SOURce:]VOLTage[:LEVel][:IMMediate]:HIGH": Command(self.set_high, (Number(low=-10, high=10, unit="V"),)),
            "[SOURce:]VOLTage[:LEVel][:IMMediate]:LOW": Command(self.set_low, (Number(low=-10, high=10, unit="V"),)),
            "OUTPut[:STATe]": Command(self.switch, (Boolean(),)),
            "OUTPut[:STATe]?": Command(lambda: str(int(self._is_on))),
        }

    def reset(self) -> None:
        self._frequency_hz, self._amplitude_v, self._offset_v, self._is_on = 1000.0, 0.1, 0.0, False
        self._apply()

    def _shape(self, _: str) -> None: ...

    def set_frequency(self, frequency_hz: float) -> Seconds:
        """Set the frequency, Hz."""
        self._frequency_hz = frequency_hz
        return self._settle()

    def set_amplitude(self, amplitude_v: float) -> Seconds:
        """Set the amplitude, V peak to peak."""
        self._amplitude_v = amplitude_v
        return self._settle()

    def set_offset(self, offset_v: float) -> Seconds:
        """Set the offset, V."""
        self._offset_v = offset_v
        return self._settle()

    def set_high(self, high_v: float) -> Seconds:
        """Set the upper level, V; the lower one stays."""
        return self._set_levels(self._offset_v - self._amplitude_v / 2, high_v)

    def set_low(self, low_v: float) -> Seconds:
        """Set the lower level, V; the upper one stays."""
        return self._set_levels(low_v, self._offset_v + self._amplitude_v / 2)

    def _set_levels(self, low_v: float, high_v: float) -> Seconds:
        if high_v <= low_v:
            raise ScpiError(-221, "HIGH must be above LOW")
        self._amplitude_v, self._offset_v = high_v - low_v, (high_v + low_v) / 2
        return self._settle()

    def switch(self, on: bool) -> Seconds:
        """Switch the output."""
        self._is_on = on
        return self._settle()

    def _settle(self) -> Seconds:
        self._apply()
        yield SETTLING_S
        return None

    def _apply(self) -> None:
        frequency_hz = self.setting_error("frequency", self._frequency_hz) if self._is_on else 0.0
        half_v = self.setting_error("voltage", self._amplitude_v) / 2
        self.place.set_generator(frequency_hz, self._offset_v - half_v, self._offset_v + half_v)


class Selector(Instrument):
    """Relay matrix; channels keep the order in which they were closed."""

    place: SelectorPlace

    def __init__(self, place: SelectorPlace, setup: SimInstrument) -> None:
        self._closed: tuple[int, ...] = ()
        super().__init__(place, setup, "RELAY MATRIX", {})

    def commands(self) -> dict[str, Command]:
        channels = (Channels(known=self.place.channels()),)
        return {
            "ROUTe:CLOSe": Command(self.close_channels, channels),
            "ROUTe:CLOSe?": Command(self._are_closed, channels),
            "ROUTe:OPEN": Command(self._open, channels),
            "ROUTe:OPEN:ALL": Command(self.open_all),
        }

    def reset(self) -> None:
        self._closed = ()
        self.place.set_channels(())

    def close_channels(self, channels: tuple[int, ...]) -> Seconds:
        """Close relays."""
        return self._change((*self._closed, *(channel for channel in channels if channel not in self._closed)))

    def _open(self, channels: tuple[int, ...]) -> Seconds:
        return self._change(tuple(channel for channel in self._closed if channel not in channels))

    def open_all(self) -> Seconds:
        """Open every relay."""
        return self._change(())

    def _are_closed(self, channels: tuple[int, ...]) -> str:
        return ",".join(str(int(channel in self._closed)) for channel in channels)

    def _change(self, closed: tuple[int, ...]) -> Seconds:
        self._closed = closed
        self.place.set_channels(closed)
        yield _RELAY_S
        return None
