"""The firmware itself as the microcontroller: a `hil.sim.processor.Processor` that runs an ELF.

An instruction-set simulation in a process of its own (fixtures/firmware/simulator) executes the program; here is the
other end of its pipes and everything that is analogue: supply, brown-out, reset, crystal, converter. The process is
told to go on until a cycle; it stops early when a pin that matters changed, when the converter wants a sample, when
the UART begins to send or has sent a line, and when the program ran away. Nothing here knows what is measured.
"""

import struct
from collections import deque
from typing import NamedTuple, Protocol

from hil.sim.chip import CRYSTAL_HZ, START_UP_S
from hil.sim.display_wire import DisplayWire
from hil.sim.elf import EEPROM_SIZE, FirmwareImage
from hil.sim.processor import PIN_KEY1, PIN_KEY2, Drives, Surroundings
from hil.sim.reset import BROWN_OUT_V, ResetLogic

_REACHED, _PIN_CHANGED, _SAMPLE_WANTED, _RAN_AWAY, _SENDING = range(5)
_ANSWER = struct.Struct("<QQIIIBB6sHHHH")
_SENT, _SHOWN, _BURNT, _GATED = struct.Struct("<QB"), struct.Struct("<BB"), struct.Struct("<HB"), struct.Struct("<QQdI")
_CAUSE_FLAGS = {"POWER": 0x01, "EXTERNAL": 0x02, "BROWN": 0x04, "WATCHDOG": 0x08}  # MCUSR
_FRAME_BITS = 10
_PORTS = (("B", 6), ("C", 6), ("D", 8))  # without crystal and reset pins
_INTERNAL_REFERENCE_V = 1.1
_LAST_GATES = 1000
_BAUD = 38_400
_SILENT_S, _FLOOD_SHARE = 2.0, 0.5  # without a byte; of the time that the transmitter sends
_SAMPLES = 16  # taken at a time: firmware takes the mean of some


class AvrLink(Protocol):
    """Pipes to the process; see main.c of the simulator for what goes through them."""

    def send(self, request: bytes) -> None: ...
    def receive(self, size: int, *, simulated_s: float = 0.0) -> bytes: ...


class Gate(NamedTuple):
    """One stretch in which T0 was clocked from its pin: cycles, pulses that came meanwhile, and what T0 counted."""

    opened: int
    closed: int
    pulses: float
    counted: int


def adc_code(input_v: float, reference_v: float) -> int:
    """One conversion: Vin·1024/Vref, truncated, 0 to 1023 (ATmega328P data sheet, "ADC Conversion Result")."""
    if reference_v <= 0 or input_v >= reference_v:
        return 1023
    return max(0, min(1023, int(input_v * 1024 / reference_v)))


class ElfProcessor(ResetLogic):
    """One ATmega328P with the program of an ELF file.

    Args:
        surroundings: what the pins see.
        eeprom: survives; the unit keeps it. It is brought to the device's size.
        image: the program.
        link: the process that executes it.
        clock_divider: 8 while the fuse that divides the clock is still set.
        brown_out_v: supply voltage below which it resets, V.
    """

    def __init__(
        self,
        surroundings: Surroundings,
        eeprom: bytearray,
        image: FirmwareImage,
        link: AvrLink,
        *,
        clock_divider: int = 1,
        brown_out_v: float = BROWN_OUT_V,
    ) -> None:
        super().__init__(brown_out_v)
        self.surroundings, self.eeprom, self.image = surroundings, eeprom, image
        eeprom.extend(b"\xff" * (EEPROM_SIZE - len(eeprom)))
        self._link, self._clock_divider = link, clock_divider
        self.resets = 0
        self.gates: deque[Gate] = deque(maxlen=_LAST_GATES)
        self.ran_away = False
        self._is_running = self._stops_early = False
        self._starts_at_s = 0.0
        self._cycle, self._clock_hz, self._restarts = 0, CRYSTAL_HZ / clock_divider, 0
        self._ports = bytes(6)
        self._cycles_per_bit = 0
        self._due_s: float | None = None
        self._sent: deque[tuple[float, int]] = deque()
        self._last_arrival_s = 0.0
        self._ran_s, self._sent_bytes = 0.0, 0
        self._display = DisplayWire()
        link.send(b"F" + struct.pack("<H", len(image.flash)) + image.flash)

    # What the board does to the chip

    def inputs_changed(self, at_s: float) -> None:
        self.at_s = max(self.at_s, at_s)
        self._send_keys()

    takes_bytes_early = True

    def receive(self, data: bytes, at_s: float) -> None:
        if not self._is_running or not self._cycles_per_bit:
            return
        frame_s = _FRAME_BITS / self.baud()
        requests = bytearray(b"U" + struct.pack("<H", len(data)))
        for place, byte in enumerate(data):
            arrives_s = max(at_s - (len(data) - 1 - place) * frame_s, self._last_arrival_s + frame_s, self.at_s)
            requests += _SENT.pack(self._cycle + max(1, round((arrives_s - self.at_s) * self._clock_hz)), byte)
            self._last_arrival_s = arrives_s
        self._link.send(bytes(requests))

    def _send_keys(self) -> None:
        levels = self.surroundings.pin_is_high(PIN_KEY1) | self.surroundings.pin_is_high(PIN_KEY2) << 1
        self._link.send(b"K" + bytes([levels]))

    def _stop(self) -> None:
        self._is_running, self._due_s = False, None
        self._display = DisplayWire()
        self._stops_early = any(self._ports)
        self._ports, self._cycles_per_bit = bytes(6), 0

    def _start_if_possible(self) -> None:
        if self._is_running or not self._may_start(self.surroundings.clock_hz(self.at_s)):
            return
        self._is_running, self.cause, self.ran_away = True, self._stopped_by, False
        self._starts_at_s, self._restarts = self.at_s + START_UP_S, self._restarts + 1
        self._link.send(b"E" + bytes(self.eeprom) + b"R" + bytes([_CAUSE_FLAGS[self.cause]]))
        self._send_keys()

    # What the board asks

    def is_running(self) -> bool:
        """Powered, clocked and out of reset."""
        return self._is_running

    def is_programmed(self) -> bool:
        return True

    def advance(self, to_s: float) -> float:
        if self._stops_early:
            self._stops_early = False
            return self.at_s
        if not self._is_running or to_s <= self._starts_at_s or self.ran_away:
            self.at_s = max(self.at_s, to_s)
            return to_s
        self.at_s = max(self.at_s, self._starts_at_s)
        if to_s <= self.at_s:  # an instruction ends when it ends: some clocks after it was told to
            return to_s
        self._clock_hz = self.surroundings.clock_hz(self.at_s) / self._clock_divider
        from_s, from_cycle = self.at_s, self._cycle
        goal = from_cycle + max(1, round((to_s - from_s) * self._clock_hz))
        pulses_per_cycle = self.surroundings.t0_pulses(from_s, to_s) / (goal - from_cycle)
        samples = b"\0\0"
        while True:
            self._link.send(b"G" + struct.pack("<Qd", goal, pulses_per_cycle) + samples)
            reason, admux = self._read_answer(to_s - from_s, from_s, from_cycle)
            if reason != _SAMPLE_WANTED:
                break
            samples = self._samples(admux)
        if reason == _REACHED:
            self.at_s = max(to_s, self.at_s)
            return to_s
        return min(self.at_s, to_s)

    def _read_answer(self, simulated_s: float, from_s: float, from_cycle: int) -> tuple[int, int]:
        answer = _ANSWER.unpack(self._link.receive(_ANSWER.size, simulated_s=simulated_s))
        cycle, due, resets, _, self._cycles_per_bit, reason, admux, self._ports, *counts = answer

        def second(at_cycle: int) -> float:
            return from_s + (at_cycle - from_cycle) / self._clock_hz

        sizes = [count * kind.size for count, kind in zip(counts, (_SENT, _SHOWN, _BURNT, _GATED), strict=True)]
        logs = self._link.receive(sum(sizes)) if sum(sizes) else b""
        ends = [sum(sizes[: place + 1]) for place in range(4)]
        self._sent.extend((second(at), byte) for at, byte in _SENT.iter_unpack(logs[: ends[0]]))
        self._sent_bytes += counts[0]
        self._ran_s += second(cycle) - self.at_s
        for pins, byte in _SHOWN.iter_unpack(logs[ends[0] : ends[1]]):
            self._display.byte(byte, is_selected=not pins & 1, is_text=bool(pins & 2), is_reset=not pins & 4)
        for address, byte in _BURNT.iter_unpack(logs[ends[1] : ends[2]]):
            self.eeprom[address] = byte
        self.gates.extend(Gate(*gate) for gate in _GATED.iter_unpack(logs[ends[2] :]))
        self._cycle, self.at_s = cycle, second(cycle)
        self._due_s = second(due) if due else None
        if reason == _RAN_AWAY:
            self.ran_away, self._due_s = True, None
        if resets != self._restarts:  # by itself: the watchdog
            self.resets += 1
            self._restarts, self.cause = resets, "WATCHDOG"
            self._display = DisplayWire()
            self._starts_at_s = self.at_s + START_UP_S
        return reason, admux

    def _samples(self, admux: int) -> bytes:
        """Results of the next conversions; what is left of them is void when the process stops."""
        reference_v = {0: self.surroundings.aref_v(), 1: self._vcc_v, 3: _INTERNAL_REFERENCE_V}.get(admux >> 6, 0.0)
        channel = admux & 0x0F
        if channel < 8:
            volts = self.surroundings.adc_samples_v(channel, self.at_s, _SAMPLES)
        else:
            volts = [_INTERNAL_REFERENCE_V if channel == 0x0E else 0.0] * _SAMPLES
        codes = [adc_code(one_v, reference_v) for one_v in volts]
        return struct.pack(f"<BB{len(codes)}H", admux, len(codes), *codes)

    def drives(self) -> Drives:
        if not self._is_running:
            return {}
        pins: dict[str, str] = {}
        for place, (port, count) in enumerate(_PORTS):
            direction, level = self._ports[2 * place], self._ports[2 * place + 1]
            for bit in range(count):
                if direction >> bit & 1:
                    pins[f"P{port}{bit}"] = "high" if level >> bit & 1 else "low"
                elif level >> bit & 1:
                    pins[f"P{port}{bit}"] = "pullup"
        if self._cycles_per_bit:
            pins["PD1"] = "high"  # the transmitter rests high
        return pins

    def transmitted(self, until_s: float) -> bytes:
        done = bytearray()
        while self._sent and self._sent[0][0] <= until_s:
            done.append(self._sent.popleft()[1])
        return bytes(done)

    def next_transmission_s(self) -> float | None:
        return self._sent[0][0] if self._sent else self._due_s

    def baud(self) -> float:
        return self._clock_hz / self._cycles_per_bit if self._is_running and self._cycles_per_bit else 0.0

    def display(self) -> tuple[str, str]:
        return self._display.lines()

    def trouble(self) -> str:
        """What is wrong with the program as far as one sees from outside; "" when nothing."""
        if self.ran_away:
            return "the firmware ran away: it came to where no program is"
        if self.resets:
            return f"the firmware was reset by its watchdog {self.resets} times"
        if self._ran_s > _SILENT_S and not self._sent_bytes:
            return f"the firmware ran for {self._ran_s:.1f} s and sent nothing"
        if self._ran_s > _SILENT_S and self._sent_bytes * _FRAME_BITS > _FLOOD_SHARE * self._ran_s * _BAUD:
            return f"the firmware floods its port: {self._sent_bytes} bytes in {self._ran_s:.1f} s"
        return ""
