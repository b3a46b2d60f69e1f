"""The simulated bench on the real wire: a SCPI socket for each instrument, a pty for the meter, a line for the person.

    with WireServer(bench, speed=20.0) as server:
        server.addresses["supply"]       # TCPIP::127.0.0.1::40001::SOCKET, for pyvisa-py
        server.meter_path                # /dev/pts/7, for pyserial
        server.operator_address          # 127.0.0.1:40007, for `hil.simlink.remote_operator`

Simulated time runs `speed` times as fast as real time. One thread owns the bench; who wants something of it from
another thread uses `call`. What the person does takes its simulated time at once: time jumps.
"""

import errno
import os
import selectors
import socket
import termios
import threading
import time
import tty
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import TypeVar

from hil.sim.bench import SimulatedBench
from hil.sim.instruments.base import Instrument
from hil.simlink.remote_operator import answer

_TICK_S = 0.005  # real time between two looks at the bench while somebody waits
_IDLE_TICK_S = 0.05
_UNSEEN_S = 0.25  # simulated time that may pass unseen: a banner must not come late because nobody looked
_LONGEST_STEP_S = 1.0  # of simulated time at once, so that a late look does not swallow what happened
_CHUNK = 4096
_LOOPBACK = "127.0.0.1"

T = TypeVar("T")


class _Connection:
    """One client of one service."""

    def __init__(self, stream: socket.socket, instrument: Instrument | None) -> None:
        stream.setblocking(False)
        stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.stream, self.instrument = stream, instrument
        self.received = b""
        self.unsent = b""


class WireServer:
    """Serves one simulated bench until it is stopped.

    Args:
        bench: with its instruments; those without an address are served too.
        speed: simulated seconds a real second.

    Raises:
        ValueError: a speed that is not positive.
        OSError: no socket or pty can be had.
    """

    def __init__(self, bench: SimulatedBench, *, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError(f"the speed must be more than zero, not {speed!r}")
        self.bench, self.speed = bench, speed
        self.addresses: dict[str, str] = {}
        self._selector = selectors.DefaultSelector()
        self._listeners: list[socket.socket] = []
        self._connections: list[_Connection] = []
        for instrument in bench.instruments:
            port = self._listen(instrument)
            self.addresses[instrument.setup.role] = f"TCPIP::{_LOOPBACK}::{port}::SOCKET"
        self.operator_address = f"{_LOOPBACK}:{self._listen(None)}"
        self._master: int | None
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # the slave stays open here, or the master fails while no client is there
        os.set_blocking(self._master, False)
        self.meter_path = os.ttyname(self._slave)
        self._selector.register(self._master, selectors.EVENT_READ, self._read_pty)
        self._wake_receiver, self._wake_sender = socket.socketpair()
        self._wake_receiver.setblocking(False)
        self._selector.register(self._wake_receiver, selectors.EVENT_READ, self._woken)
        self._calls: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def _listen(self, instrument: Instrument | None) -> int:
        listener = socket.create_server((_LOOPBACK, 0))
        listener.setblocking(False)
        self._listeners.append(listener)
        self._selector.register(listener, selectors.EVENT_READ, lambda: self._accept(listener, instrument))
        port: int = listener.getsockname()[1]
        return port

    # Life

    def start(self) -> None:
        """Serve in a thread of its own."""
        self._thread = threading.Thread(target=self.serve, name="simulated bench", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Close every connection and the pty."""
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join()
        self._close()

    def __enter__(self) -> "WireServer":
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def call(self, work: Callable[[], T]) -> T:
        """Do something with the bench in the thread that owns it; returns and raises what it does."""
        done: Future[T] = Future()

        def carry_out() -> None:
            try:
                done.set_result(work())
            except BaseException as problem:
                done.set_exception(problem)

        self._calls.put(carry_out)
        self._wake()
        return done.result()

    def _wake(self) -> None:
        with suppress(OSError):
            self._wake_sender.send(b"!")

    def _woken(self) -> None:
        with suppress(BlockingIOError):
            self._wake_receiver.recv(_CHUNK)

    def serve(self) -> None:
        """Serve until `stop` is called from another thread."""
        real_s = time.monotonic()
        while not self._stopping.is_set():
            for key, _ in self._selector.select(self._tick_s()):
                key.data()
            now_s = time.monotonic()
            self._let_time_pass((now_s - real_s) * self.speed)
            real_s = now_s
            with suppress(Empty):
                while True:
                    self._calls.get_nowait()()
            self._send_answers()

    def _tick_s(self) -> float:
        is_waited_for = any(one.is_busy() for one in self.bench.instruments) or self.bench.line.is_expecting()
        return _TICK_S if is_waited_for else min(_IDLE_TICK_S, _UNSEEN_S / self.speed)

    def _let_time_pass(self, seconds: float) -> None:
        while seconds > 0:
            step_s = min(seconds, _LONGEST_STEP_S)
            self.bench.clock.sleep(step_s)
            self.bench.sync()
            seconds -= step_s

    # Sockets

    def _accept(self, listener: socket.socket, instrument: Instrument | None) -> None:
        stream, _ = listener.accept()
        connection = _Connection(stream, instrument)
        if instrument is not None and instrument.has_vanished():
            stream.close()
            return
        self._connections.append(connection)
        self._selector.register(stream, selectors.EVENT_READ, lambda: self._read(connection))

    def _drop(self, connection: _Connection) -> None:
        self._selector.unregister(connection.stream)
        connection.stream.close()
        self._connections.remove(connection)
        if connection.instrument is not None:
            connection.instrument.clear()

    def _read(self, connection: _Connection) -> None:
        try:
            data = connection.stream.recv(_CHUNK)
        except OSError:
            data = b""
        if not data:
            self._drop(connection)
        elif connection.instrument is not None:
            connection.instrument.write(data, is_end=False)
            if connection.instrument.has_vanished():
                self._drop(connection)
        else:
            connection.received += data
            *lines, connection.received = connection.received.split(b"\n")
            for line in lines:
                connection.unsent += answer(self.bench, line) + b"\n"

    def _send_answers(self) -> None:
        for connection in list(self._connections):
            instrument = connection.instrument
            if instrument is not None and instrument.has_answer() and not instrument.is_busy():
                connection.unsent += instrument.read(_CHUNK)
            if connection.unsent:
                try:
                    sent = connection.stream.send(connection.unsent)
                    connection.unsent = connection.unsent[sent:]
                except BlockingIOError:
                    pass
                except OSError:
                    self._drop(connection)
        self._write_pty()

    # Pty

    def _read_pty(self) -> None:
        if self._master is None:
            return
        try:
            data = os.read(self._master, _CHUNK)
        except BlockingIOError:
            return
        except OSError as problem:
            if problem.errno == errno.EIO:
                return
            raise
        self.bench.sync()
        self.bench.line.baud = self._baud()
        self.bench.line.send(data, self.bench.at_s)
        if self.bench.line.has_vanished():
            self._unplug()

    def _baud(self) -> float:
        speed = termios.tcgetattr(self._slave)[5]
        return next((float(name[1:]) for name, value in _SPEEDS.items() if value == speed), 38_400.0)

    def _write_pty(self) -> None:
        line = self.bench.line
        if self._master is not None and line.waiting():
            data = line.take(line.waiting())
            with suppress(BlockingIOError):  # nobody reads: the adapter's buffer runs over
                os.write(self._master, data)

    def _unplug(self) -> None:
        if self._master is not None:
            self._selector.unregister(self._master)
            os.close(self._master)
            os.close(self._slave)
            self._master = None

    def _close(self) -> None:
        for connection in list(self._connections):
            self._drop(connection)
        for listener in self._listeners:
            self._selector.unregister(listener)
            listener.close()
        self._listeners.clear()
        self._unplug()
        self._selector.close()
        self._wake_receiver.close()
        self._wake_sender.close()


_SPEEDS = {name: getattr(termios, name) for name in dir(termios) if name[0] == "B" and name[1:].isdigit()}
