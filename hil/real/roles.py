"""The roles of a bench over instruments that are spoken to by verbs: what `hil.ports` asks for, nothing else."""

import math
from collections.abc import Callable, Mapping

from hil.errors import BenchError
from hil.real.visa import VisaInstrument


class VisaSupply:
    """A DC supply.

    Args:
        on_switch: told before the output is switched: the unit will start anew.
    """

    is_hand_read = False

    def __init__(self, instrument: VisaInstrument, on_switch: Callable[[], None]) -> None:
        self._instrument, self._on_switch = instrument, on_switch

    def set(self, voltage_v: float, current_limit_a: float) -> None:
        """Set voltage and current limit."""
        self._instrument.do("set", voltage_v=voltage_v, current_limit_a=current_limit_a)

    def on(self) -> None:
        """Output on."""
        self._on_switch()
        self._instrument.do("on")

    def off(self) -> None:
        """Output off."""
        self._instrument.do("off")
        self._on_switch()

    def voltage_v(self) -> float:
        """Voltage read back, V."""
        return self._instrument.ask("voltage_v")

    def current_a(self) -> float:
        """Current read back, A."""
        return self._instrument.ask("current_a")

    def in_current_limit(self) -> bool:
        """Whether the output is limited by its current."""
        return self._instrument.ask("in_current_limit") != 0


class VisaVoltmeter:
    """A multimeter."""

    is_hand_read = False

    def __init__(self, instrument: VisaInstrument) -> None:
        self._instrument = instrument

    def voltage_v(self) -> float:
        """DC voltage, V."""
        return self._instrument.ask("voltage_v")

    def resistance_ohm(self) -> float:
        """Resistance, ohm; infinite when over range."""
        return self._instrument.ask("resistance_ohm")

    def current_a(self) -> float:
        """DC current, A."""
        return self._instrument.ask("current_a")


class VisaCounter:
    """A frequency counter."""

    def __init__(self, instrument: VisaInstrument) -> None:
        self._instrument = instrument

    def frequency_hz(self, gate_s: float = 1.0) -> float:
        """Frequency, Hz; 0.0 when nothing oscillates."""
        value = self._instrument.ask("frequency_hz", extra_s=gate_s, gate_s=gate_s)
        return 0.0 if math.isnan(value) else value


class VisaGenerator:
    """A function generator."""

    def __init__(self, instrument: VisaInstrument) -> None:
        self._instrument = instrument

    def square(self, frequency_hz: float, amplitude_v: float) -> None:
        """Square wave between zero and the amplitude, output on."""
        self._instrument.do("square", frequency_hz=frequency_hz, amplitude_v=amplitude_v, offset_v=amplitude_v / 2)

    def off(self) -> None:
        """Output off."""
        self._instrument.do("off")


class VisaThermometer:
    """A thermometer at the jig."""

    def __init__(self, instrument: VisaInstrument) -> None:
        self._instrument = instrument

    def temperature_degc(self) -> float:
        """Temperature, degC."""
        return self._instrument.ask("temperature_degc")


class VisaSelector:
    """A relay matrix: at most one part at the terminals, at most one point (or pair of points) probed.

    Args:
        parts: channel of each reference part.
        probes: channel of each test point.
    """

    def __init__(self, instrument: VisaInstrument, parts: Mapping[str, int], probes: Mapping[str, int]) -> None:
        self._instrument, self._parts, self._probes = instrument, parts, probes
        self._part: tuple[int, ...] | None = None  # None: not known
        self._probe: tuple[int, ...] | None = None

    def fit(self, part: str) -> None:
        """Connect a reference part to the terminals, the one before disconnected first.

        Raises:
            BenchError: the part is not wired.
        """
        if part == "open" and part not in self._parts:
            wanted: tuple[int, ...] = ()
        else:
            wanted = (_channel(part, self._parts, "parts"),)
        self._part = self._change(self._part, wanted)

    def probe(self, point: str) -> None:
        """Connect voltmeter and counter to a test point against ground, or across two: ``TP_5V:TP_3V``.

        Raises:
            BenchError: a point is not wired.
        """
        high, _, low = point.partition(":")
        names = (high,) if low in ("", "GND") else (high, low)
        wanted = tuple(_channel(name, self._probes, "probes") for name in names)
        self._probe = self._change(self._probe, wanted)

    def release(self) -> None:
        """Everything open."""
        self._part = self._probe = None
        self._instrument.do("release")
        self._part = self._probe = ()

    def _change(self, now: tuple[int, ...] | None, wanted: tuple[int, ...]) -> tuple[int, ...]:
        if now is None:
            self.release()
            now = ()
        if now != wanted:
            # Break before make: two parts side by side would be measured as their sum.
            if now:
                self._instrument.do("open", channels=_listed(now))
            if wanted:
                self._instrument.do("close", channels=_listed(wanted))
        return wanted


def _listed(channels: tuple[int, ...]) -> str:
    return ",".join(map(str, channels))


def _channel(name: str, wired: Mapping[str, int], table: str) -> int:
    try:
        return wired[name]
    except KeyError:
        known = ", ".join(wired) or "none"
        raise BenchError(
            f"{name}: not wired to the selector. Wired: {known}. Add it to [selector.{table}] of the bench file."
        ) from None
