"""The microcontroller as its pins show it: what a device model and a co-simulated firmware have in common.

The board asks a `Processor` what its pins drive; the processor asks its `Surroundings` what its pins see. Time is
handed in. `advance` stops early whenever a driven pin changed, so that the board can be solved anew before the
processor goes on (a relay that pulls the supply into its current limit resets the processor at that very moment),
and whenever the UART begins to send, so that whoever waits for an answer is woken.
"""

from collections.abc import Mapping, Sequence
from typing import Protocol

# Pins that matter outside (ATmega328P port names), see fixtures/firmware/bench_port.md.
PIN_T0 = "PD4"
PIN_K1, PIN_K2 = "PB0", "PB1"
PIN_LED1, PIN_LED2 = "PD5", "PD6"
PIN_KEY1, PIN_KEY2 = "PD2", "PD3"
DISPLAY_PINS = ("PB2", "PB3", "PB5", "PC2", "PC3")
OUTPUT_PINS = (PIN_K1, PIN_K2, PIN_LED1, PIN_LED2, *DISPLAY_PINS)

Drives = Mapping[str, str]  # "high", "low" or "pullup" by pin; a pin that is missing is an input (high impedance)


class Surroundings(Protocol):
    """What the processor's pins see. Constant between two changes of the board, but for drift and noise."""

    def t0_pulses(self, from_s: float, to_s: float) -> float:
        """Rising edges that reach T0 between two bench times: a real number, its fraction is the phase."""
        ...

    def adc_v(self, channel: int, at_s: float) -> float:
        """Voltage at an ADC pin, V, with its noise."""
        ...

    def adc_samples_v(self, channel: int, at_s: float, count: int) -> Sequence[float]:
        """Several conversions in a row: as many voltages, each with its own noise, V."""
        ...

    def aref_v(self) -> float:
        """Voltage at AREF, V."""
        ...

    def pin_is_high(self, pin: str) -> bool:
        """Level at an input pin."""
        ...

    def clock_hz(self, at_s: float) -> float:
        """Clock: the crystal with its load capacitors, divided by eight while that fuse is set; 0.0 when it stands."""
        ...


class Processor(Protocol):
    """One microcontroller with its firmware."""

    eeprom: bytearray  # survives power-off; the owner keeps it
    takes_bytes_early: bool  # `receive` is called when the bytes set out, not when the last one has arrived

    def power(self, vcc_v: float, at_s: float) -> None:
        """The supply pins have this voltage from now on: power-on, brown-out and power-off follow from it."""
        ...

    def reset_pin(self, is_low: bool, at_s: float) -> None:
        """The reset pin is held low, or released."""
        ...

    def inputs_changed(self, at_s: float) -> None:
        """An input pin (a key) may have changed."""
        ...

    def is_running(self) -> bool:
        """Powered, clocked, programmed and out of reset."""
        ...

    def is_programmed(self) -> bool:
        """Whether there is any firmware in it."""
        ...

    def advance(self, to_s: float) -> float:
        """Run until `to_s`, or until a driven pin changes or the UART begins to send; returns the time reached."""
        ...

    def drives(self) -> Drives:
        """Pins driven now."""
        ...

    def receive(self, data: bytes, at_s: float) -> None:
        """Bytes arrive at the UART, the last one at `at_s` (already as the UART samples them).

        `at_s` is now, or later where `takes_bytes_early`.
        """
        ...

    def transmitted(self, until_s: float) -> bytes:
        """Bytes that have left the UART by then, each once."""
        ...

    def next_transmission_s(self) -> float | None:
        """When the next byte will have left, as far as known without anything happening; None when nothing is due."""
        ...

    def baud(self) -> float:
        """Bit rate at which the UART runs now, 1/s; 0.0 when it does not run."""
        ...

    def display(self) -> tuple[str, str]:
        """The two lines last sent to the display (what a working display would show)."""
        ...
