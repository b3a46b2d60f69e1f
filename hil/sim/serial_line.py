"""The serial line between the host's adapter and the meter: bytes take their time, and speeds may differ."""

import random
from collections import deque
from typing import Protocol

from hil.sim.processor import Processor
from hil.sim.trouble import Trouble, Troubles
from hil.sim.uart import FRAME_BITS, resample

_LATENCY_S = 0.004  # adapters collect bytes for some time before they hand them on
_GARBAGE = bytes(range(0x80, 0xC0))


class LinePlace(Protocol):
    """The bench as the line sees it."""

    at_s: float
    troubles: Troubles

    @property
    def processor(self) -> Processor | None: ...
    def uart_is_wired(self) -> tuple[bool, bool]: ...
    def restart_meter(self) -> None: ...


class SerialLine:
    """Both directions of the meter's port."""

    def __init__(self, place: LinePlace) -> None:
        self._place = place
        self.baud = 38_400.0  # of the host's adapter
        self._to_meter: deque[tuple[float, float, bytes]] = deque()  # handed over at; last byte arrives at; bytes
        self._free_s = 0.0
        self._received = bytearray()
        self._messages = 0

    def forget(self) -> None:
        """Another unit: nothing is on its way."""
        self._to_meter.clear()
        self._received.clear()
        self._messages = 0

    def _trouble(self) -> Trouble | None:
        trouble = self._place.troubles.at("bench.meter")
        return trouble if trouble is not None and trouble.is_on(self._messages) else None

    def has_vanished(self) -> bool:
        """Whether the adapter has been pulled out."""
        trouble = self._trouble()
        return trouble is not None and trouble.effect == "vanish"

    # Host to meter

    def send(self, data: bytes, at_s: float) -> None:
        """The host sends; the bytes travel one after the other."""
        self._messages += data.count(b"\n")
        start_s = max(at_s, self._free_s)
        self._free_s = start_s + len(data) * FRAME_BITS / self.baud
        # A co-simulated processor takes byte after byte as they arrive, so it must know of them before.
        is_early = self._place.processor is not None and self._place.processor.takes_bytes_early
        self._to_meter.append((start_s if is_early else self._free_s, self._free_s, data))

    @property
    def sent_s(self) -> float:
        """When everything the host has sent has left."""
        return max(self._free_s, self._place.at_s)

    @property
    def due_s(self) -> float | None:
        """When the next bytes have arrived at the meter."""
        return self._to_meter[0][0] if self._to_meter else None

    def deliver(self) -> None:
        """Hand the bytes that are due to the meter."""
        _, at_s, data = self._to_meter.popleft()
        processor, trouble = self._place.processor, self._trouble()
        if trouble is not None and trouble.effect == "reboot":
            trouble_is_new = self._messages - trouble.after <= data.count(b"\n")
            if trouble_is_new:
                self._place.restart_meter()
                return
        if processor is not None and self._place.uart_is_wired()[0]:
            processor.receive(resample(data, self.baud, processor.baud()), at_s)

    # Meter to host

    def collect(self, until_s: float) -> None:
        """Take what the meter has sent by then."""
        processor = self._place.processor
        data = processor.transmitted(until_s) if processor is not None else b""
        if not data or processor is None or not self._place.uart_is_wired()[1]:
            return
        trouble = self._trouble()
        effect = trouble.effect if trouble is not None else ""
        if effect in ("silent", "vanish"):
            return
        if effect == "partial":
            data = data.replace(b"\n", b"")
        elif effect == "garbage":
            data = bytes(random.Random(f"{until_s}").choices(_GARBAGE, k=len(data))) + b"\n" * data.count(b"\n")
        elif effect == "wrong_identity":
            data = data.replace(b"M", b"N")  # one byte, for they come one by one: QN-2
        self._received += resample(data, processor.baud() or self.baud, self.baud)

    def next_byte_s(self) -> float | None:
        """When the host gets bytes: now, or when the adapter hands on what has come; None when none is known of."""
        if self._received:
            return self._place.at_s
        processor = self._place.processor
        complete_s = processor.next_transmission_s() if processor is not None else None
        return None if complete_s is None else complete_s + _LATENCY_S

    def waiting(self) -> int:
        """Bytes that the host has not read."""
        return len(self._received)

    def is_expecting(self) -> bool:
        """Whether bytes are on their way in either direction."""
        processor = self._place.processor
        coming = processor is not None and processor.next_transmission_s() is not None
        return bool(self._to_meter) or coming

    def take(self, count: int) -> bytes:
        """Bytes for the host."""
        taken = bytes(self._received[:count])
        del self._received[:count]
        return taken

    def take_through(self, last: bytes, most: int) -> bytes:
        """Bytes for the host up to the first `last` one, or as many as there are."""
        count = self._received.find(last) + 1
        return self.take(min(count or most, most))

    def discard(self) -> None:
        """The host throws away what it has not read."""
        self._received.clear()
