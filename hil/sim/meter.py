"""A model of the meter's firmware, exactly as fixtures/firmware/bench_port.md describes it.

It has formulas of its own (`hil.sim.meter_readings`); it measures only through the pins of `hil.sim.chip.Chip`.
"""

from collections import deque
from collections.abc import Generator

from numpy import float32

from hil.sim.chip import Chip, Task, Wait
from hil.sim.display_text import OVER, battery_line, first_line
from hil.sim.meter_constants import read_constants
from hil.sim.meter_port import MeterPort
from hil.sim.meter_readings import CAPACITANCE, INDUCTANCE, Readings
from hil.sim.processor import PIN_K1, PIN_K2, PIN_KEY1, PIN_KEY2, PIN_LED1, PIN_LED2

READY_S = 0.6 - 0.065  # silent for 0.6 s after reset, start-up time included
RELAY_S = 0.020
DEBOUNCE_S, BOTH_S = 0.020, 1.0
BATTERY_S, BATTERY_PERIOD_S, BATTERY_CONVERSIONS = 0.002, 0.25, 16
LOW_V, GOOD_V = float32(6.20), float32(6.40)
CLOCK_HZ, PRESCALER = 16_000_000, 256
_LINE_LENGTH = 63
_KEYS = {PIN_KEY1: 1, PIN_KEY2: 2}
_BOTH = 3
_ADC_V, _DIVIDER = float32(5.0 / 1024), float32(2.5)

# The display is not selected and not in reset; the transmitter of the UART rests high.
_AT_START = {
    PIN_K1: "low", PIN_K2: "low", PIN_LED1: "low", PIN_LED2: "low", PIN_KEY1: "pullup", PIN_KEY2: "pullup",
    "PD1": "high", "PB2": "high", "PB3": "low", "PB5": "low", "PC2": "low", "PC3": "high",
}  # fmt: skip

Count = Generator[float, None, int]


class MeterFirmware:
    """The program; a reset makes a new one.

    Args:
        chip: what it runs on.
        version: its firmware version.
    """

    def __init__(self, chip: Chip, version: str) -> None:
        self.chip, self.version = chip, version
        constants, self.constants_are_good = read_constants(chip.eeprom)
        self.readings = Readings(constants)
        self.function = CAPACITANCE
        self.value = float32("nan")
        self.pack_v = float32(0.0)
        self.shown_text: str | None = None
        self.lamp_modes = ["AUTO", "AUTO"]
        self.presses = [0, 0, 0]
        self.keys_down = 0
        self._battery_is_low = False
        self._port = MeterPort(self)
        self._line = bytearray()
        self._line_is_too_long = False
        self._is_listening = False
        self._work: deque[Wait] = deque()
        self._worker: Task | None = None
        self._measuring: Task | None = None
        self._debouncing: Task | None = None
        self._holding: Task | None = None
        self._gesture = 0
        self._is_ended = False  # the gesture has been acted upon

    # Life

    def boot(self) -> Wait:
        for pin, level in _AT_START.items():
            self.chip.drive(pin, level)
        self.inputs_changed()
        yield READY_S
        self._is_listening = True
        self.chip.send(f"QM-2 {self.version} ready")
        self._measuring = self.chip.start(self._measure())
        self.chip.start(self._watch_battery())

    def _measure(self) -> Wait:
        """One gate after the other, for ever."""
        while True:
            count = yield from self._gate()
            self._take(count)

    def _watch_battery(self) -> Wait:
        while True:
            self._battery(self._convert())
            yield BATTERY_PERIOD_S

    def _gate(self) -> Count:
        begin_s = self.chip.at_s
        yield self.readings.constants.reload * PRESCALER / CLOCK_HZ
        return self.chip.count(begin_s, self.chip.at_s)

    def _take(self, count: int) -> None:
        self.value = self.readings.value(self.function, count)

    def _do(self, work: Wait) -> None:
        """Queue work of the foreground: commands and keys, one after the other."""
        self._work.append(work)
        if self._worker is None:
            self._worker = self.chip.start(self._run_work())

    def _run_work(self) -> Wait:
        while self._work:
            yield from self._work.popleft()
        self._worker = None
        if self._measuring is None:
            self._measuring = self.chip.start(self._measure())

    def stop_measuring(self) -> None:
        """The gate under way is of no use any more; measuring starts anew when the work is done."""
        if self._measuring is not None:
            self.chip.cancel(self._measuring)
            self._measuring = None

    # Measuring

    def count_gate(self) -> Count:
        """Pulses of a new gate."""
        self.stop_measuring()
        return (yield from self._gate())

    def _set_relays(self) -> Wait:
        yield from self._set_relay_pins(((PIN_K1, self.function == INDUCTANCE), (PIN_K2, False)))

    def new_value(self) -> Generator[float, None, float32]:
        """A new measurement with the function selected."""
        yield from self._set_relays()
        self._take((yield from self.count_gate()))
        return self.value

    def is_over(self, value: float32) -> bool:
        """Whether it is above the range of the function selected."""
        return bool(value > OVER["C" if self.function == CAPACITANCE else "L"])

    def zero(self) -> Generator[float, None, float32]:
        """Take the zero; the zero found, or NaN."""
        yield from self._set_relays()
        found = self.readings.take_zero(self.function, (yield from self.count_gate()))
        self.value = found - found  # what is connected reads zero from now on, or NaN
        return found

    def calibrate(self) -> Generator[float, None, bool]:
        """Count f1 and f2; False when it failed."""
        yield from self._set_relay_pins(((PIN_K1, False), (PIN_K2, False)))
        bare = yield from self.count_gate()
        yield from self.set_relay(PIN_K2, True)
        with_ccal = yield from self.count_gate()
        yield from self._set_relays()
        return self.readings.calibrate(bare, with_ccal)

    def select(self, function: str) -> Wait:
        """Change the function and set K1."""
        if function != self.function:
            self.function, self.value = function, float32("nan")
            self.stop_measuring()
        yield from self._set_relays()

    def set_relay(self, pin: str, on: bool) -> Wait:
        """Drive a relay and wait until its contacts rest."""
        yield from self._set_relay_pins(((pin, on),))

    def _set_relay_pins(self, wanted: tuple[tuple[str, bool], ...]) -> Wait:
        changes = [(pin, "high" if on else "low") for pin, on in wanted]
        changes = [(pin, level) for pin, level in changes if self.chip.level(pin) != level]
        if changes:
            self.stop_measuring()
            for pin, level in changes:
                self.chip.drive(pin, level)
            yield RELAY_S

    def measure_battery(self) -> Generator[float, None, float32]:
        """Pack voltage, V."""
        yield BATTERY_S
        return self._battery(self._convert())

    def _convert(self) -> float32:
        return float32(self.chip.adc_mean(0, BATTERY_CONVERSIONS) + 0.5)

    def _battery(self, steps: float32) -> float32:
        self.pack_v = steps * _ADC_V * _DIVIDER
        if self.pack_v < LOW_V:
            self._battery_is_low = True
        elif self.pack_v > GOOD_V:
            self._battery_is_low = False
        self.set_lamps()
        return self.pack_v

    def set_lamps(self) -> None:
        """Drive the lamps by their modes."""
        by_itself = (not self._battery_is_low, self._battery_is_low)
        for pin, mode, lit in zip((PIN_LED1, PIN_LED2), self.lamp_modes, by_itself, strict=True):
            self.chip.drive(pin, "high" if (lit if mode == "AUTO" else mode == "ON") else "low")

    def display(self) -> tuple[str, str]:
        """Both lines as they are sent to the display."""
        if not self._is_listening:
            return ("", "")
        letter = "C" if self.function == CAPACITANCE else "L"
        return first_line(self.value, letter), battery_line(self.pack_v) if self.shown_text is None else self.shown_text

    # Bench port

    def received(self, data: bytes) -> None:
        if not self._is_listening:
            return
        for byte in data:
            if byte == 0x0A:
                if self._line_is_too_long:
                    self._port.line_too_long()
                elif self._line:
                    self._do(self._answer(self._line.decode("latin-1")))
                self._line.clear()
                self._line_is_too_long = False
            elif byte != 0x0D and not self._line_is_too_long:
                self._line.append(byte)
                if len(self._line) > _LINE_LENGTH:
                    self._line_is_too_long = True

    def _answer(self, line: str) -> Wait:
        answer = yield from self._port.run(line)
        if answer is not None:
            self.chip.send(answer)

    # Keys

    def inputs_changed(self) -> None:
        if self._debouncing is not None:
            self.chip.cancel(self._debouncing)
        self._debouncing = self.chip.start(self._debounce(), DEBOUNCE_S)

    def _debounce(self) -> Wait:
        self._debouncing = None
        down = sum(bit for pin, bit in _KEYS.items() if not self.chip.pin_is_high(pin))
        if down != self.keys_down:
            self.keys_down = down
            self._gesture |= down
            if self._holding is not None:
                self.chip.cancel(self._holding)
                self._holding = None
            if down == _BOTH:
                self._holding = self.chip.start(self._hold_both(), BOTH_S)
            elif down == 0:
                self._released()
        yield from ()

    def _hold_both(self) -> Wait:
        self._holding = None
        self._is_ended = True
        self.presses[2] += 1
        self._do(ignoring_result(self.calibrate()))
        yield from ()

    def _released(self) -> None:
        gesture, self._gesture = self._gesture, 0
        is_ended, self._is_ended = self._is_ended, False
        if is_ended or gesture == _BOTH or not self._is_listening:
            return
        self.presses[gesture - 1] += 1
        self._act_on(gesture)

    def _act_on(self, key: int) -> None:
        if key == 1:
            self._do(self.select(INDUCTANCE if self.function == CAPACITANCE else CAPACITANCE))
        else:
            self._do(ignoring_result(self.zero()))


def ignoring_result(work: Generator[float, None, object]) -> Wait:
    """Work whose result nobody waits for."""
    yield from work
