"""A meter on its own: a processor whose surroundings the test makes."""

import math
from collections.abc import Sequence

import pytest

from hil.sim.chip import Chip
from hil.sim.meter import MeterFirmware
from hil.sim.meter_constants import erased


class Board:
    """Surroundings without a board: a tank of pure L and C, a pack, two keys."""

    def __init__(self) -> None:
        self.crystal_hz, self.pack_v, self.reference_v = 16e6, 7.4, 5.0
        self.keys: set[str] = set()
        self.l1_h, self.c1_f, self.ccal_f = 100e-6, 680e-12, 1.2e-9
        self.at_terminals_f, self.at_terminals_h = 0.0, math.inf  # a capacitor, or an inductor; inf: open
        self.reference_hz: float | None = None
        self.is_dead = False
        self.relays = {"PB0": False, "PB1": False}

    def t0_hz(self) -> float:
        if self.reference_hz is not None:
            return self.reference_hz
        l_h, c_f = self.l1_h, self.c1_f + self.ccal_f * self.relays["PB1"]
        if self.relays["PB0"]:
            l_h += self.at_terminals_h
        else:
            c_f += self.at_terminals_f
        return 0.0 if self.is_dead or math.isinf(l_h) else 1 / (2 * math.pi * math.sqrt(l_h * c_f))

    def t0_pulses(self, from_s: float, to_s: float) -> float:
        return self.t0_hz() * (to_s - from_s)

    def adc_v(self, channel: int, at_s: float) -> float:
        return 0.4 * self.pack_v

    def adc_samples_v(self, channel: int, at_s: float, count: int) -> Sequence[float]:
        return [self.adc_v(channel, at_s)] * count

    def aref_v(self) -> float:
        return self.reference_v

    def pin_is_high(self, pin: str) -> bool:
        return pin not in self.keys

    def clock_hz(self, at_s: float) -> float:
        return self.crystal_hz


class Bench:
    """Runs a chip and remembers what it says and drives."""

    def __init__(self, board: Board, eeprom: bytearray | None = None, **options: object) -> None:
        self.board, self.at_s = board, 0.0
        self.chip = Chip(
            board, erased() if eeprom is None else eeprom, lambda chip: MeterFirmware(chip, "1.2.3"), **options
        )
        self.heard = b""
        self.history: list[tuple[float, dict[str, str]]] = []

    def power(self, volts: float) -> None:
        self.chip.power(volts, self.at_s)
        self._look()

    def _look(self) -> None:
        drives = dict(self.chip.drives())
        if not self.history or self.history[-1][1] != drives:
            self.history.append((self.at_s, drives))
        for pin in self.board.relays:
            self.board.relays[pin] = drives.get(pin) == "high"

    def run(self, seconds: float) -> None:
        end_s = self.at_s + seconds
        while self.at_s < end_s:
            self.at_s = self.chip.advance(end_s)
            self._look()
        self.heard += self.chip.transmitted(self.at_s)

    def start(self) -> None:
        self.power(5.0)
        self.run(0.7)
        self.heard = b""

    def ask(self, line: str, seconds: float = 3.0) -> str:
        """Send a line; the answer without its end, "" when none came."""
        self.heard = b""
        self.chip.receive(line.encode() + b"\n", self.at_s)
        end_s = self.at_s + seconds
        while self.at_s < end_s and not self.heard.endswith(b"\n"):
            self.run(0.005)
        return self.heard.decode().removesuffix("\n")

    def press(self, *keys: str, seconds: float) -> None:
        for change in ({*keys}, set(), {*keys}):  # contacts bounce
            self._set(change)
            self.run(0.003)
        self.run(seconds)
        self._set(set())
        self.run(0.1)

    def _set(self, keys: set[str]) -> None:
        self.board.keys = keys
        self.chip.inputs_changed(self.at_s)


@pytest.fixture
def board() -> Board:
    return Board()


@pytest.fixture
def meter(board: Board) -> Bench:
    bench = Bench(board)
    bench.start()
    return bench


@pytest.fixture
def make_meter():
    return Bench
