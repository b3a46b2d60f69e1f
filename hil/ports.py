"""What the application needs from the outside world, as Protocols. Real and simulated things are peers behind them.

Instruments on the simulated bench are reached through the same PyVISA and pyserial drivers (hil.real) as real ones;
only `Clock` and `Operator` have a simulated implementation of their own.

Every method that talks to the outside raises `hil.errors.BenchError` (or its children) when the bench is in
trouble; `Meter` raises `hil.errors.UnitError` where the unit is to blame. Times are in seconds on the bench clock.
"""

from collections.abc import Iterable, Sequence
from typing import Protocol

from hil.core.records import Reading, Run, RunClosed, RunOpened


class Clock(Protocol):
    """Time; simulated time moves only when someone waits."""

    def monotonic_s(self) -> float: ...
    def now(self) -> str: ...  # ISO 8601 with zone, milliseconds
    def sleep(self, seconds: float) -> None: ...


class Port(Protocol):
    """A line-oriented connection: the meter's serial port, or one instrument."""

    def write(self, line: str) -> None: ...
    def read_line(self, *, timeout_s: float) -> str | None:
        """One line without its end, or None when the time is over."""
        ...

    def discard_input(self) -> None: ...
    def close(self) -> None: ...


class Meter(Protocol):
    """The unit's bench port (fixtures/firmware/bench_port.md), command by command."""

    def ask(self, command: str, *, timeout_s: float = 2.0) -> str:
        """Send a query, return the answer line. Raises MeterSilent or MeterError."""
        ...

    def tell(self, command: str, *, timeout_s: float = 2.0) -> None:
        """Send a command and make sure that it was accepted (SYST:ERR? is 0)."""
        ...

    def repeats(self) -> int:
        """How often a question had to be sent again because its answer was lost, since the port was opened."""
        ...

    def expect_start(self) -> None:
        """A start of the meter is in order from now on: power, reset, programming, a supply that is lowered."""
        ...

    def await_start(self, *, timeout_s: float = 2.0) -> str | None:
        """The start banner, or None when none came in time; only then is a later banner a restart nobody asked for."""
        ...


class Supply(Protocol):
    is_hand_read: bool  # a person sets it and types its values in

    def set(self, voltage_v: float, current_limit_a: float) -> None: ...
    def on(self) -> None: ...
    def off(self) -> None: ...
    def voltage_v(self) -> float: ...  # read back
    def current_a(self) -> float: ...
    def in_current_limit(self) -> bool: ...


class Voltmeter(Protocol):
    is_hand_read: bool  # a person types the values in, and can do nothing else meanwhile

    def voltage_v(self) -> float: ...
    def resistance_ohm(self) -> float: ...  # inf when over range
    def current_a(self) -> float: ...


class Counter(Protocol):
    def frequency_hz(self, gate_s: float = 1.0) -> float: ...  # 0.0 when nothing oscillates


class Generator(Protocol):
    def square(self, frequency_hz: float, amplitude_v: float) -> None: ...  # on
    def off(self) -> None: ...


class Thermometer(Protocol):
    def temperature_degc(self) -> float: ...


class Selector(Protocol):
    """Relay matrix: at most one part at the terminals, at most one probe at voltmeter and counter."""

    def fit(self, part: str) -> None: ...  # "open" and "short" are parts too
    def probe(self, point: str) -> None: ...  # a test point, or two with a colon: "TP_5V:GND"
    def release(self) -> None: ...  # everything open


class Operator(Protocol):
    """A person at the bench, or the simulated one. Every question and answer is recorded by the caller."""

    def insert(self, serial: str) -> None: ...  # put the unit with this serial number into the jig
    def fit(self, part: str, description: str) -> None: ...
    def probe(self, point: str, instrument: str = "probe") -> None: ...  # "TP_5V", "TP_5V:TP_PACK"; "GND": nowhere
    def request(self, text: str) -> None: ...  # to be done now; nothing is answered
    def press(self, keys: Sequence[str], seconds: float) -> None: ...  # "KEY1", "KEY2"
    def read_display(self) -> str: ...  # what stands on the display
    def lamp_is_lit(self, lamp: str) -> bool: ...  # "LED1", "LED2"
    def watch(self) -> None: ...  # keep an eye on display and lamps from now on
    def was_steady(self) -> bool: ...  # nothing flickered or went dark since `watch`
    def confirm(self, question: str) -> bool: ...
    def read_value(self, role: str, what: str, unit: str) -> float: ...  # a hand-read instrument


class Programmer(Protocol):
    def program(self, image: str) -> str: ...  # returns SHA-256 of the image


class Store(Protocol):
    """Records of runs. Each call is durable before it returns."""

    def open_run(self, opened: RunOpened) -> None: ...
    def append(self, run: str, reading: Reading) -> None: ...
    def close_run(self, closed: RunClosed) -> None: ...
    def run(self, run: str) -> Run: ...
    def runs(self, *, serial: str | None = None, lot: str | None = None) -> Iterable[Run]: ...
