"""A pyserial port to the meter of a simulated bench: ``hil-sim://NAME``, in simulated time.

A time limit costs simulated seconds. What a real adapter answers with SerialException does so here: a name that nobody
answers to, an adapter that was pulled out, a port that is not open.
"""

import sys
from typing import Any
from urllib.parse import urlsplit
from weakref import WeakValueDictionary

from serial.serialutil import PortNotOpenError, SerialBase, SerialException

from hil.sim.bench import SimulatedBench

SCHEME = "hil-sim"
_FOREVER_S = 3600.0  # of simulated time
_ENDLESS = sys.maxsize

BENCHES: "WeakValueDictionary[str, SimulatedBench]" = WeakValueDictionary()


class Serial(SerialBase):
    """The port; see pyserial for its methods."""

    BAUDRATES = SerialBase.BAUDRATES

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._bench: SimulatedBench | None = None
        super().__init__(*args, **kwargs)

    # Open and close

    def open(self) -> None:
        """Open the port.

        Raises:
            SerialException: it is open already, or no bench answers to the name.
        """
        if self.is_open:
            raise SerialException("Port is already open.")
        if self.port is None:
            raise SerialException("Port must be configured before it can be used.")
        name = urlsplit(self.port).netloc
        bench = BENCHES.get(name)
        if bench is None or bench.line.has_vanished():
            raise SerialException(f"could not open port {self.port}: no simulated bench answers to {name!r}")
        self._bench = bench
        self._reconfigure_port()
        self.is_open = True
        self.reset_input_buffer()

    def close(self) -> None:
        """Close the port."""
        self.is_open, self._bench = False, None

    def _reconfigure_port(self) -> None:
        if self._bench is not None:
            self._bench.line.baud = float(self.baudrate)

    def _plugged(self) -> SimulatedBench:
        if not self.is_open or self._bench is None:
            raise PortNotOpenError()
        if self._bench.line.has_vanished():
            raise SerialException("device reports readiness to read but returned no data (device disconnected?)")
        return self._bench

    # Bytes

    @property
    def in_waiting(self) -> int:
        """Bytes that have arrived and were not read."""
        bench = self._plugged()
        bench.sync()
        return bench.line.waiting()

    def _wait_for_byte(self, bench: SimulatedBench, deadline_s: float) -> bool:
        return bench.line.waiting() > 0 or bench.wait(bench.line.next_byte_s, deadline_s)

    def _deadline_s(self, bench: SimulatedBench) -> float:
        return bench.clock.monotonic_s() + (_FOREVER_S if self.timeout is None else self.timeout)

    def read(self, size: int = 1, /) -> bytes:
        """Read up to `size` bytes within the time limit."""
        bench = self._plugged()
        bench.sync()
        deadline_s = self._deadline_s(bench)
        data = b""
        while len(data) < size and self._wait_for_byte(bench, deadline_s):
            data += bench.line.take(size - len(data))
        self._plugged()
        return data

    def read_until(self, expected: bytes = b"\n", size: int | None = None) -> bytes:
        """Read until `expected` has come, `size` bytes are there, or the time is over."""
        bench = self._plugged()
        bench.sync()
        deadline_s = self._deadline_s(bench)
        data, most, last = b"", _ENDLESS if size is None else size, expected[-1:]
        while not data.endswith(expected) and len(data) < most and self._wait_for_byte(bench, deadline_s):
            data += bench.line.take_through(last, most - len(data))
        self._plugged()
        return data

    def write(self, data: Any, /) -> int:
        """Hand bytes to the adapter; they travel while time goes on."""
        bench = self._plugged()
        plain = bytes(data)
        bench.sync()
        bench.line.send(plain, bench.at_s)
        self._plugged()
        return len(plain)

    def flush(self) -> None:
        """Wait until everything has been sent."""
        bench = self._plugged()
        bench.wait(lambda: bench.line.sent_s, bench.line.sent_s)

    def reset_input_buffer(self) -> None:
        """Throw away what has arrived."""
        bench = self._plugged()
        bench.sync()
        bench.line.discard()

    def reset_output_buffer(self) -> None:
        """Nothing to throw away: bytes are on their way at once."""
        self._plugged()

    @property
    def out_waiting(self) -> int:
        """Bytes that the adapter has not sent."""
        self._plugged()
        return 0

    # Lines of the adapter that the meter does not use

    def _update_break_state(self) -> None: ...
    def _update_rts_state(self) -> None: ...
    def _update_dtr_state(self) -> None: ...

    @property
    def cts(self) -> bool:
        return True

    @property
    def dsr(self) -> bool:
        return True

    @property
    def ri(self) -> bool:
        return False

    @property
    def cd(self) -> bool:
        return True
