"""What all simulated instruments share: messages in, answers out, finite accuracy, trouble.

An instrument takes program messages one after the other in simulated time. What a handler yields is the time that a
measurement takes; the answer is there when that time is over, and not before.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from hil.core.equipment import Accuracy
from hil.sim.setup import SimInstrument
from hil.sim.streams import Streams
from hil.sim.trouble import Trouble, Troubles
from hil.wire.scpi import Command, Handler, Interpreter, Number, ScpiError, Seconds, Status, number

_LONGEST_MESSAGE = 1024
_WITHIN = 0.9  # a fixed error uses up at most this share of its limits; noise and resolution need the rest
_GARBAGE = b"\x00\xfe\x81~@\x1b[\x07"
SETTLING_S = 0.005  # what a setting takes


class Place(Protocol):
    """What an instrument knows of the bench around it."""

    at_s: float
    fixed: Streams
    noise: Streams
    troubles: Troubles
    busy: "list[Instrument]"  # in the middle of a message

    def sync(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class DataSheet:
    """Limits of error, noise as a share of the constant part, and resolution of one quantity."""

    accuracy: Accuracy
    noise: float
    resolution: float = 0.0


class Instrument:
    """One instrument.

    Args:
        place: the bench.
        setup: its role, address, accuracy.
        model: its name in ``*IDN?`` when the setup gives no identity.
        sheets: data sheet by quantity.
    """

    def __init__(
        self, place: Place, setup: SimInstrument, model: str, sheets: Mapping[str, DataSheet], **commands: Any
    ) -> None:
        self.setup, self.place = setup, place
        self.status = Status()
        self._name = f"bench.{setup.role}"
        self.due_s: float | None = None  # when the message being carried out goes on
        self._sheets = {
            name: DataSheet(
                accuracy=setup.accuracy.get(name, sheet.accuracy), noise=sheet.noise, resolution=sheet.resolution
            )
            for name, sheet in sheets.items()
        }
        self._identity = setup.identity or f"Simulated,{model},{setup.role.upper()},1.0"
        self._interpreter = Interpreter(self.commands(), status=self.status, identity=self._who, reset=self._reset_all)
        self._buffer = b""
        self._messages: deque[str] = deque()
        self._running: Seconds | None = None
        self._output = b""
        self._count = 0

    # For the kinds of instruments

    def commands(self) -> dict[str, Command]:
        """Commands of this kind."""
        raise NotImplementedError

    def reset(self) -> None:
        """Bring the settings into their ``*RST`` state."""

    def _reset_all(self) -> Seconds:
        self.reset()
        yield SETTLING_S
        return None

    def with_error(self, quantity: str, true_value: float) -> float:
        """What it shows for a true value: fixed errors, noise, resolution, and whatever has gone wrong with it."""
        sheet, role = self._sheets[quantity], self.setup.role
        fixed = self.place.fixed
        relative = sheet.accuracy.relative * _WITHIN * fixed.fixed(f"{role}.{quantity}.gain")
        absolute = sheet.accuracy.absolute * _WITHIN * fixed.fixed(f"{role}.{quantity}.offset")
        extra_relative, extra_absolute = self.place.troubles.offset(role, quantity)
        value = true_value * (1 + relative + extra_relative) + absolute + extra_absolute
        if sheet.noise:
            value += sheet.noise * self.place.noise.gauss(f"{role}.{quantity}")
        return round(value / sheet.resolution) * sheet.resolution if sheet.resolution else value

    def setting_error(self, quantity: str, setting: float) -> float:
        """What it really puts out for a setting: fixed errors only."""
        accuracy, role = self._sheets[quantity].accuracy, self.setup.role
        gain = self.place.fixed.fixed(f"{role}.{quantity}.set_gain")
        offset = self.place.fixed.fixed(f"{role}.{quantity}.set_offset")
        extra_relative, extra_absolute = self.place.troubles.offset(role, quantity)
        value = setting * (1 + accuracy.relative * _WITHIN * gain + extra_relative)
        return value + accuracy.absolute * _WITHIN * offset + extra_absolute

    def measuring(self, seconds: float, quantity: str, true_value: Callable[[], float]) -> Seconds:
        """Measure for some time, then answer."""
        yield seconds
        return number(self.with_error(quantity, true_value()))

    # Wire

    def _trouble(self) -> Trouble | None:
        trouble = self.place.troubles.at(self._name)
        return trouble if trouble is not None and trouble.is_on(self._count) else None

    def has_vanished(self) -> bool:
        """Whether the connection is gone."""
        trouble = self._trouble()
        return trouble is not None and trouble.effect == "vanish"

    def _who(self) -> str:
        trouble = self._trouble()
        return "Other,PS-1,0,0" if trouble is not None and trouble.effect == "wrong_identity" else self._identity

    def write(self, data: bytes, *, is_end: bool = True) -> None:
        """Bytes arrive; a message ends with LF, or with the end of the transfer when `is_end`."""
        self.place.sync()
        self._buffer += data
        *messages, self._buffer = self._buffer.split(b"\n")
        if is_end and self._buffer:
            messages.append(self._buffer)
            self._buffer = b""
        if len(self._buffer) > _LONGEST_MESSAGE:
            self._buffer = b""
            self.status.report(ScpiError(-363))
        for message in messages:
            self._count += 1
            if self._output:  # IEEE 488.2 6.3.2.3: a new message while an answer waits
                self._output = b""
                self.status.report(ScpiError(-410))
            self._messages.append(message.decode("latin-1").strip())
        if self._running is None:
            self._next_message()

    def _next_message(self) -> None:
        if self._messages:
            self._running = self._interpreter.run(self._messages.popleft())
            self.go_on()
        else:
            self._running = None
            self._rest()

    def _rest(self) -> None:
        self.due_s = None
        if self in self.place.busy:
            self.place.busy.remove(self)

    def go_on(self) -> None:
        """Carry on with the message; its waiting time is over."""
        assert self._running is not None
        try:
            self.due_s = self.place.at_s + next(self._running)
            if self not in self.place.busy:
                self.place.busy.append(self)
        except StopIteration as end:
            if end.value is not None:
                self._answer(end.value)
            self._next_message()

    def _answer(self, text: str) -> None:
        trouble, answer = self._trouble(), text.encode("latin-1") + b"\n"
        if trouble is not None and trouble.effect == "silent":
            return
        if trouble is not None and trouble.effect == "garbage":
            answer = _GARBAGE + b"\n"
        elif trouble is not None and trouble.effect == "partial":
            answer = answer[: len(answer) // 2]
        self._output = self._output[:-1] + b";" + answer if self._output else answer
        self.status.message_available = True

    def has_answer(self) -> bool:
        """Whether bytes wait to be read."""
        return bool(self._output)

    def is_busy(self) -> bool:
        """Whether a message is being carried out."""
        return self._running is not None

    def read(self, count: int) -> bytes:
        """Take bytes of the answer."""
        data, self._output = self._output[:count], self._output[count:]
        self.status.message_available = bool(self._output)
        return data

    def read_without_answer(self) -> None:
        """Somebody waited for an answer that was never asked for."""
        self.status.report(ScpiError(-420))

    def clear(self) -> None:
        """Device clear: input, output and what is being done are dropped; registers and settings stay."""
        if self._running is not None:
            self._running.close()
        self._running = None
        self._rest()
        self._messages.clear()
        self._buffer = self._output = b""
        self.status.message_available = False

    def serial_poll(self) -> int:
        """Status byte."""
        return self.status.byte()


__all__ = ["SETTLING_S", "DataSheet", "Handler", "Instrument", "Number", "Place"]
