"""The microcontroller around the firmware model: power, resets, clock, pins, UART, and tasks in simulated time.

A firmware is a set of generators that yield the seconds they wait, by the processor's own clock. Each reset makes a
new firmware: what it held in memory is lost, EEPROM stays. Nothing here knows what the firmware measures.
"""

import math
from collections import deque
from collections.abc import Callable, Generator
from operator import attrgetter
from typing import Protocol

from hil.sim.processor import Drives, Surroundings
from hil.sim.reset import BROWN_OUT_V, ResetLogic

CRYSTAL_HZ = 16e6
START_UP_S = 0.065  # fuses: slowly rising power, crystal
_BAUD_DIVISOR = 16 * 26  # UBRR 25: 38 462 Bd from 16 MHz, +0.16 %

Wait = Generator[float, None, None]
_due_s = attrgetter("due_s")


class Firmware(Protocol):
    """What the chip runs; made anew at each reset."""

    def boot(self) -> Wait: ...
    def received(self, data: bytes) -> None: ...
    def inputs_changed(self) -> None: ...
    def display(self) -> tuple[str, str]: ...


class Task:
    """A running generator and when it goes on."""

    __slots__ = ("due_s", "generator")

    def __init__(self, generator: Wait, due_s: float) -> None:
        self.generator, self.due_s = generator, due_s


class Chip(ResetLogic):
    """A `hil.sim.processor.Processor` that runs a firmware model.

    Args:
        surroundings: what the pins see.
        eeprom: survives; the unit keeps it.
        firmware: makes the firmware at each reset; None is a chip that was never programmed.
        brown_out_v: supply voltage below which it resets, V.
        hangs_after_s: the firmware hangs this long after each start, and the watchdog resets it; None: never.
    """

    def __init__(
        self,
        surroundings: Surroundings,
        eeprom: bytearray,
        firmware: "Callable[[Chip], Firmware] | None",
        *,
        brown_out_v: float = BROWN_OUT_V,
        hangs_after_s: float | None = None,
    ) -> None:
        super().__init__(brown_out_v)
        self.surroundings, self.eeprom = surroundings, eeprom
        self._make_firmware = firmware
        self._hangs_after_s = hangs_after_s
        self.reset_at_s = 0.0
        self._firmware: Firmware | None = None
        self._clock_hz = 0.0
        self._pins: dict[str, str] = {}
        self._tasks: list[Task] = []
        self._stop_early = self._has_hung = False
        self._sending: deque[tuple[float, float, bytes]] = deque()  # start, seconds a byte, bytes
        self._phase = 0.0
        self._shown = ("", "")

    # What the board does to the chip

    def inputs_changed(self, at_s: float) -> None:
        self.at_s = max(self.at_s, at_s)
        if self._firmware is not None:
            self._firmware.inputs_changed()

    takes_bytes_early = False

    def receive(self, data: bytes, at_s: float) -> None:
        self.at_s = max(self.at_s, at_s)
        if self._firmware is not None:
            self._firmware.received(data)

    def watchdog(self) -> None:
        """The firmware hangs and the watchdog resets it."""
        if self._firmware is not None:
            self._reset("WATCHDOG")
            self._start_if_possible()

    def _stop(self) -> None:
        self._shown = ("", "")
        self._firmware = None
        for task in self._tasks:
            task.generator.close()
        self._tasks.clear()
        self._cut_transmission()
        if self._pins:
            self._pins = {}
            self._stop_early = True

    def _follow_clock(self) -> None:
        """The crystal may be pulled elsewhere while the chip runs: whatever it counts goes on at the new pace."""
        clock_hz = self.surroundings.clock_hz(self.at_s)
        if clock_hz > 0 and clock_hz != self._clock_hz:
            for task in self._tasks:
                task.due_s = self.at_s + (task.due_s - self.at_s) * self._clock_hz / clock_hz
            self._clock_hz = clock_hz

    def _start_if_possible(self) -> None:
        if self._firmware is not None:
            self._follow_clock()
            return
        if self._make_firmware is None:
            return
        clock_hz = self.surroundings.clock_hz(self.at_s)
        if not self._may_start(clock_hz):
            return
        self._clock_hz = clock_hz
        self.cause, self.reset_at_s = self._stopped_by, self.at_s
        self._firmware = self._make_firmware(self)
        self.start(self._boot(self._firmware))
        if self._hangs_after_s is not None:
            self.start(self._hang(), self._hangs_after_s)

    def _hang(self) -> Wait:
        self._has_hung = True
        yield from ()

    def _boot(self, firmware: Firmware) -> Wait:
        yield START_UP_S
        yield from firmware.boot()

    # What the board asks

    def is_running(self) -> bool:
        """Powered, clocked, programmed and out of reset."""
        return self._firmware is not None

    def is_programmed(self) -> bool:
        return self._make_firmware is not None

    def advance(self, to_s: float) -> float:
        while self._tasks:
            task = min(self._tasks, key=_due_s)
            if task.due_s > to_s:
                break
            self.at_s = max(self.at_s, task.due_s)
            self._resume(task)
            if self._has_hung:  # a task cannot end the task list it runs in
                self._has_hung = False
                self.watchdog()
            if self._stop_early:
                self._stop_early = False
                return self.at_s
        self.at_s = max(self.at_s, to_s)
        return to_s

    def drives(self) -> Drives:
        return self._pins

    def display(self) -> tuple[str, str]:
        return self._firmware.display() if self._firmware is not None else self._shown

    def baud(self) -> float:
        return self._clock_hz / _BAUD_DIVISOR if self._firmware is not None else 0.0

    def transmitted(self, until_s: float) -> bytes:
        done = b""
        while self._sending:
            start_s, byte_s, data = self._sending[0]
            count = min(len(data), int((until_s - start_s) / byte_s + 1e-6)) if until_s > start_s else 0
            done += data[:count]
            if count < len(data):
                self._sending[0] = (start_s + count * byte_s, byte_s, data[count:])
                break
            self._sending.popleft()
        return done

    def next_transmission_s(self) -> float | None:
        if not self._sending:
            return None
        start_s, byte_s, _ = self._sending[0]
        return start_s + byte_s

    def _cut_transmission(self) -> None:
        kept = [
            (start, byte_s, data[: max(0, int((self.at_s - start) / byte_s))]) for start, byte_s, data in self._sending
        ]
        self._sending = deque(entry for entry in kept if entry[2])

    # What the firmware uses

    def start(self, generator: Wait, after_s: float = 0.0) -> Task:
        """Run a generator from now on, or after some time by the chip's own clock."""
        task = Task(generator, self.at_s + self._true_s(after_s))
        self._tasks.append(task)
        return task

    def cancel(self, task: Task) -> None:
        """Run it no more."""
        if task in self._tasks:
            self._tasks.remove(task)
            task.generator.close()

    def _resume(self, task: Task) -> None:
        try:
            task.due_s = self.at_s + self._true_s(next(task.generator))
        except StopIteration:
            if task in self._tasks:
                self._tasks.remove(task)

    def _true_s(self, own_s: float) -> float:
        return own_s * CRYSTAL_HZ / self._clock_hz if self._clock_hz else own_s

    def own_s(self, true_s: float) -> float:
        """Bench seconds as the chip's own clock counts them."""
        return true_s * self._clock_hz / CRYSTAL_HZ

    def drive(self, pin: str, level: str) -> None:
        """Make a pin an output that is "high" or "low", or an input with "pullup"."""
        if self._pins.get(pin) != level:
            self._pins = {**self._pins, pin: level}
            self._stop_early = True

    def level(self, pin: str) -> str:
        """What `drive` last made of a pin; "input" at first."""
        return self._pins.get(pin, "input")

    def count(self, from_s: float, to_s: float) -> int:
        """Pulses that the counter at T0 counted between two bench times.

        T0 is sampled once a clock, so that what is faster than half the clock is counted as its alias.
        """
        pulses = self.surroundings.t0_pulses(from_s, to_s)
        clocks = (to_s - from_s) * self._clock_hz
        if pulses > clocks / 2:
            pulses %= clocks
            pulses = min(pulses, clocks - pulses)
        before, self._phase = math.floor(self._phase), self._phase + pulses
        counted = math.floor(self._phase) - before
        self._phase %= 1.0
        return counted

    def adc_mean(self, channel: int, count: int) -> float:
        """Mean of several conversions, 10 bit: Vin·1024/Vref, truncated, 1023 at most."""
        reference_v = self.surroundings.aref_v()
        if reference_v <= 0:
            return 1023.0
        scale = 1024 / reference_v
        samples_v = self.surroundings.adc_samples_v(channel, self.at_s, count)
        samples = [int(volts * scale) for volts in samples_v]
        if min(samples) < 0 or max(samples) > 1023:
            samples = [max(0, min(1023, sample)) for sample in samples]
        return sum(samples) / count

    def pin_is_high(self, pin: str) -> bool:
        """Level at an input."""
        return self.surroundings.pin_is_high(pin)

    def send(self, text: str) -> None:
        """Put a line into the transmitter."""
        byte_s = 10 / self.baud()
        free_s = max((start + length * len(data) for start, length, data in self._sending), default=self.at_s)
        self._sending.append((max(self.at_s, free_s), byte_s, text.encode("ascii") + b"\n"))
        self._stop_early = True
