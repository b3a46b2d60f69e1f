"""The meter at its serial port: pumps the conversations of `hil.wire.meter` over pyserial.

Works with any pyserial URL: an adapter, a pty, the simulated bench in process. A missing line end is pyserial's only
sign of a timeout; a port that was pulled out raises SerialException on reading but a bare OSError elsewhere, so both
are caught, and the port is tried anew at the next question.
"""

from collections.abc import Callable
from typing import TypeVar

import serial

from hil.errors import InstrumentError, MeterError
from hil.ports import Clock
from hil.real.pace import Pace
from hil.real.trace import Exchange, Trace
from hil.wire import meter as wire
from hil.wire.meter import Await, Conversation, LinkCut, Pattern, Pending, Send

START_LIMIT_S = 2.0  # the banner is due 0.6 s after reset
FIRST_PRINTED_S = 5.0  # start, two gates of a calibration at power-on, relays, one gate
_LONGEST_LINE = 512

T = TypeVar("T")


class SerialMeter:
    """A `hil.ports.Meter`.

    Args:
        url: any pyserial URL.
        baud: bit rate, 1/s.
        clock: bench clock.
        trace: told of every exchange.
        pattern: picks values from printed lines when the firmware takes no commands; "" when it does.
        change_function: has KEY1 pressed, the only way when the firmware takes no commands.
        pace: of the bench.

    Raises:
        InstrumentError: the port cannot be opened.
        ValueError: the pattern picks nothing known.
    """

    role = "meter"

    def __init__(
        self,
        url: str,
        *,
        baud: int,
        clock: Clock,
        trace: Trace,
        pattern: str = "",
        change_function: Callable[[], None] | None = None,
        pace: Pace | None = None,
    ) -> None:
        self._url, self._baud, self._clock, self._trace = url, baud, clock, trace
        self._pattern = Pattern(pattern) if pattern else None
        self._change_function = change_function
        self._pace = pace if pace is not None else Pace()
        self._port: serial.Serial | None = None
        self._timeout_s = -1.0
        self._starting_until_s: float | None = None
        self._repeats = 0
        self._open()

    # The port

    def ask(self, command: str, *, timeout_s: float = 2.0) -> str:
        """Ask; the time limit is never less than what the command's gates take.

        Raises:
            MeterSilent, MeterError: as `hil.wire.meter.ask`.
            InstrumentError: the port is gone, or loses bytes.
            BenchError: the firmware takes no commands and does not print what is asked.
        """
        limit_s = max(timeout_s, wire.due_s(command))
        if self._pattern is not None:
            return self._listen(command, self._pattern, limit_s + wire.GATE_S)
        self._finish_start()
        return self._carry_out(command, wire.ask(command, timeout_s=limit_s))

    def tell(self, command: str, *, timeout_s: float = 2.0) -> None:
        """Command, and make sure that it was accepted.

        Raises:
            MeterSilent, MeterError, InstrumentError, BenchError: as `ask`; MeterError also when it is refused.
        """
        if self._pattern is not None:
            self._listen(command, self._pattern, timeout_s + wire.GATE_S)
            return
        self._finish_start()
        self._carry_out(command, wire.tell(command, timeout_s=max(timeout_s, wire.due_s(command))))

    def repeats(self) -> int:
        """Questions that had to be sent again since the port was first opened."""
        return self._repeats

    def put(self, line: str) -> None:
        """Send a line as it stands, however wrong, and wait for nothing.

        Raises:
            InstrumentError: the port is gone.
        """
        self._finish_start()
        self._carry_out(line, _put(line))

    def expect_start(self) -> None:
        """The unit is about to start, or may restart with good reason: power, reset, programming, a low supply."""
        self._starting_until_s = self._clock.monotonic_s() + START_LIMIT_S
        if self._port is not None:
            self._pump(_discard())

    def await_start(self, *, timeout_s: float = START_LIMIT_S) -> str | None:
        """Wait for the banner that the meter prints when it has started; None when none comes.

        A silent meter is no trouble here: whoever asks it something will be told.

        Raises:
            InstrumentError: the port is gone.
        """
        self._starting_until_s = None
        if self._pattern is not None:  # firmware without commands calibrates itself before it prints
            self._pump(wire.await_printed(self._pattern, timeout_s=max(timeout_s, FIRST_PRINTED_S)))
            return None
        banner = self._carry_out("(start)", wire.await_start(timeout_s=timeout_s))
        return str(banner) if banner is not None else None

    def close(self) -> None:
        """Give the port back."""
        if self._port is not None:
            try:
                self._port.close()
            except OSError:  # it is gone already
                pass
            finally:
                self._port = None

    # Pumping

    def _listen(self, command: str, pattern: Pattern, limit_s: float) -> str:
        wanted = wire.function_wanted(command)
        for _ in range(2):
            heard = self._pump(wire.listen(command, pattern, timeout_s=limit_s))
            self._trace.add(Exchange(role=self.role, asked=f"(heard) {command}", answered=heard.answer, seconds=0.0))
            if heard.function == wanted or not wanted:
                return heard.answer
            if self._change_function is not None:
                self._change_function()
        raise MeterError(f"the meter measures {heard.function} where {wanted} was wanted, though KEY1 was pressed")

    def _finish_start(self) -> None:
        if self._starting_until_s is not None:
            left_s = self._starting_until_s - self._clock.monotonic_s()
            self.await_start(timeout_s=max(left_s, 0.0))

    def _carry_out(self, asked: str, conversation: Conversation[T]) -> T:
        started_s = self._clock.monotonic_s()
        answered = ""
        try:
            result = self._pump(conversation)
            answered = str(result) if result is not None else ""
            return result
        except Exception as problem:
            answered = f"({type(problem).__name__})"
            raise
        finally:
            seconds = self._clock.monotonic_s() - started_s
            self._trace.add(Exchange(role=self.role, asked=asked, answered=answered, seconds=seconds))

    def _pump(self, conversation: Conversation[T]) -> T:
        received: str | None = None
        try:
            while True:
                # The first send starts the generator.
                step = next(conversation) if received is None else conversation.send(received)
                received = self._do(step)
        except StopIteration as end:
            result: T = end.value
            return result
        except LinkCut as cut:
            raise InstrumentError(self.role, self._url, str(cut)) from cut
        except (serial.SerialException, OSError) as problem:
            self.close()
            raise InstrumentError(
                self.role,
                self._url,
                f"the port is gone ({_words(problem)}). Plug the serial adapter in again and repeat the check.",
            ) from problem

    def _do(self, step: Send | Await | Pending) -> str:
        port = self._port if self._port is not None else self._open()
        match step:
            case Send(line):
                self._repeats += isinstance(step, wire.Repeat)
                port.write(line.encode("ascii") + b"\n")
                return ""
            case Await(timeout_s):
                line = self._read_line(port, timeout_s)
                if line and not wire.is_whole(line):  # a repeated question hides it; the raw data of the reading do not
                    self._trace.add(Exchange(role=self.role, asked="(cut off)", answered=repr(line), seconds=0.0))
                return line
            case Pending():
                waiting = port.in_waiting
                return _text(port.read(waiting)) if waiting else ""

    def _read_line(self, port: serial.Serial, timeout_s: float) -> str:
        self._set_timeout(port, self._pace.limit_s(timeout_s))
        line: bytes = port.read_until(b"\n", _LONGEST_LINE)
        # pyserial looks at the clock after every byte: when time is over, what has come in time may still be waiting.
        while not line.endswith(b"\n") and len(line) < _LONGEST_LINE and port.in_waiting:
            line += port.read_until(b"\n", _LONGEST_LINE - len(line))
        return _text(line)

    def _set_timeout(self, port: serial.Serial, timeout_s: float) -> None:
        if timeout_s != self._timeout_s:  # setting it costs a system call
            port.timeout = self._timeout_s = timeout_s

    def _open(self) -> serial.Serial:
        try:
            self._port = serial.serial_for_url(self._url, baudrate=self._baud, timeout=0.0, write_timeout=5.0)
        except (serial.SerialException, OSError, ValueError) as problem:
            raise InstrumentError(
                self.role,
                self._url,
                f"the serial port cannot be opened ({_words(problem)}). Plug the adapter in, close other programs "
                "that use it, or correct [meter] port in the bench file.",
            ) from problem
        self._timeout_s = 0.0
        return self._port


def _discard() -> Conversation[None]:
    yield Pending()


def _put(line: str) -> Conversation[None]:
    yield Send(line)


def _text(received: bytes) -> str:
    # Latin-1 maps every byte to one character, so that nothing is lost from what a garbled line says.
    return received.decode("latin-1")


def _words(problem: BaseException) -> str:
    return " ".join(str(problem).split()) or type(problem).__name__
