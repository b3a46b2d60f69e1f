"""The meter at a serial port that behaves like pyserial's, in simulated time."""

from collections.abc import Callable

import pytest
import serial

from hil.errors import InstrumentError, MeterError, MeterSilent
from hil.real.pace import Pace
from hil.real.serial_meter import SerialMeter
from hil.real.trace import Trace
from hil.sim.clock import SimClock

BANNER = b"QM-2 1.2.0 ready\r\n"


class FakePort:
    """A serial port: what is written is answered by `answer`; reading moves the clock by what it waits."""

    def __init__(self, clock: SimClock, answer: Callable[[str], bytes]) -> None:
        self.clock, self.answer = clock, answer
        self.timeout = 0.0
        self.coming: list[tuple[float, bytes]] = []
        self.failure: Exception | None = None
        self.written: list[str] = []
        self.is_open = True

    def say(self, data: bytes, *, after_s: float = 0.0) -> None:
        self.coming.append((self.clock.monotonic_s() + after_s, data))

    def write(self, data: bytes) -> int:
        self._fail()
        line = data.decode().rstrip("\n")
        self.written.append(line)
        answer = self.answer(line)
        if answer:
            self.say(answer, after_s=0.01)
        return len(data)

    @property
    def in_waiting(self) -> int:
        self._fail()
        return sum(len(data) for due_s, data in self.coming if due_s <= self.clock.monotonic_s())

    def read(self, count: int) -> bytes:
        self._fail()
        if not count:
            return b""
        if not self.in_waiting:
            next_s = min((due_s for due_s, _ in self.coming), default=float("inf"))
            wait_s = min(next_s - self.clock.monotonic_s(), self.timeout)
            self.clock.sleep(max(wait_s, 0.0) + 1e-9)
        now_s, data = self.clock.monotonic_s(), b""
        while self.coming and self.coming[0][0] <= now_s and len(data) < count:
            due_s, chunk = self.coming.pop(0)
            data, rest = data + chunk[: count - len(data)], chunk[count - len(data) :]
            if rest:
                self.coming.insert(0, (due_s, rest))
        return data

    def read_until(self, expected: bytes, size: int) -> bytes:
        """As pyserial does it: byte by byte, each with the whole time limit, which ends it after any byte."""
        deadline_s, data = self.clock.monotonic_s() + self.timeout, b""
        while not data.endswith(expected) and len(data) < size:
            chunk = self.read(1)
            data += chunk
            if not chunk or self.clock.monotonic_s() >= deadline_s:
                break
        return data

    def close(self) -> None:
        self.is_open = False

    def _fail(self) -> None:
        if self.failure is not None:
            raise self.failure


class Rig:
    """A meter driver at a fake port."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, answers: dict[str, bytes], **options: object) -> None:
        self.clock, self.trace = SimClock(), Trace()
        self.port = FakePort(self.clock, lambda line: answers.get(line, b""))
        self.opened = 0

        def open_port(url: str, **_: object) -> FakePort:
            self.opened += 1
            self.port.is_open, self.port.failure = True, None
            return self.port

        monkeypatch.setattr(serial, "serial_for_url", open_port)
        self.meter = SerialMeter("fake://", baud=38400, clock=self.clock, trace=self.trace, **options)  # type: ignore[arg-type]


def test_question_and_answer_go_into_the_trace_with_their_time(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {"MEAS:BATT?": b"7.412\r\n"})
    assert rig.meter.ask("MEAS:BATT?") == "7.412"
    (exchange,) = rig.trace.drain()
    assert str(exchange) == "meter: MEAS:BATT? → 7.412"
    assert exchange.seconds == pytest.approx(0.01)


def test_silence_ends_in_bounded_bench_time(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {})
    with pytest.raises(MeterSilent):
        rig.meter.ask("READ?", timeout_s=1.0)
    assert rig.clock.monotonic_s() == pytest.approx(2.01 + 2 * 0.5, abs=0.01)  # a gate is always waited for
    assert rig.trace.drain()[0].answered == "(MeterSilent)"


def test_babble_without_a_line_end_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {})
    rig.port.answer = lambda _: b"\x55" * 5000
    with pytest.raises(MeterError, match="nothing but garbage"):
        rig.meter.ask("*IDN?")
    assert rig.clock.monotonic_s() < 5


def test_first_question_after_power_up_waits_for_the_banner(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {"*IDN?": b"Q,QM-2,0,1.2.0\n"})
    rig.meter.expect_start()
    rig.port.say(b"\x00\xf0" + BANNER, after_s=0.6)
    assert rig.meter.ask("*IDN?") == "Q,QM-2,0,1.2.0"
    assert rig.clock.monotonic_s() == pytest.approx(0.61, abs=0.01)


def test_a_banner_that_has_come_is_read_even_when_its_time_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {"*IDN?": b"Q,QM-2,0,1.2.0\n"})
    rig.meter.expect_start()
    rig.port.say(BANNER, after_s=0.6)
    rig.clock.sleep(5.0)
    assert rig.meter.ask("*IDN?") == "Q,QM-2,0,1.2.0"
    assert rig.port.written == ["*IDN?"]


def test_a_start_that_was_awaited_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {"SYST:CAUS?": b"WATCHDOG\n"})
    rig.meter.expect_start()
    rig.port.say(BANNER, after_s=0.6)
    assert rig.meter.await_start(timeout_s=1.0) == "QM-2 1.2.0 ready"
    rig.port.say(BANNER, after_s=0.2)
    rig.clock.sleep(1.0)
    with pytest.raises(MeterError, match="restarted in mid-run \\(cause WATCHDOG\\)"):
        rig.meter.ask("READ?")


def test_a_dead_meter_is_no_trouble_before_it_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {})
    rig.meter.expect_start()
    assert rig.meter.await_start(timeout_s=1.0) is None
    assert rig.clock.monotonic_s() == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("failure", [serial.SerialException("device disconnected"), OSError(5, "Input/output error")])
def test_a_port_that_is_pulled_out_names_its_url_and_is_tried_anew(
    monkeypatch: pytest.MonkeyPatch, failure: Exception
) -> None:
    rig = Rig(monkeypatch, {"*IDN?": b"Q,QM-2,0,1.2.0\n"})
    rig.port.failure = failure
    with pytest.raises(InstrumentError) as caught:
        rig.meter.ask("*IDN?")
    assert str(caught.value) == (
        f"meter at fake://: the port is gone ({failure}). Plug the serial adapter in again and repeat the check."
    )
    assert not rig.port.is_open
    assert rig.meter.ask("*IDN?") == "Q,QM-2,0,1.2.0"
    assert rig.opened == 2


def test_a_port_that_does_not_exist_says_what_to_correct(tmp_path: object) -> None:
    with pytest.raises(
        InstrumentError, match=r"meter at /dev/no-such-port: the serial port cannot be opened .*\[meter\]"
    ):
        SerialMeter("/dev/no-such-port", baud=38400, clock=SimClock(), trace=Trace())


def test_a_listening_bench_never_writes(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(monkeypatch, {}, pattern=r"C=(?P<capacitance>\S+ \S*F)")
    for second in (0.3, 1.3, 2.3):
        rig.port.say(b"C=100.0 pF\n", after_s=second)
    assert float(rig.meter.ask("READ?")) == pytest.approx(1e-10)
    assert rig.port.written == []
    assert rig.clock.monotonic_s() == pytest.approx(1.3, abs=0.01)


def test_a_faster_bench_gets_its_limit_divided_and_the_computer_a_grace() -> None:
    assert Pace().limit_s(2.0) == 2.0
    assert Pace(speed=50).limit_s(2.0) == pytest.approx(1.04)
    with pytest.raises(ValueError, match="speed must be more than zero"):
        Pace(speed=0)


def test_a_listening_bench_has_the_function_changed_by_key(monkeypatch: pytest.MonkeyPatch) -> None:
    pressed: list[float] = []
    rig = Rig(
        monkeypatch,
        {},
        pattern=r"C=(?P<capacitance>\S+ \S*F)|L=(?P<inductance>\S+ \S*H)",
        change_function=lambda: pressed.append(rig.clock.monotonic_s()),
    )
    for second in range(1, 5):
        rig.port.say(b"C=100.0 pF\n", after_s=second)
    for second in range(5, 10):
        rig.port.say(b"L=10.00 uH\n", after_s=second)
    with pytest.raises(MeterError, match="measures CAP where IND was wanted, though KEY1 was pressed"):
        rig.meter.tell("SENS:FUNC IND")
    rig.meter.tell("SENS:FUNC IND")
    assert float(rig.meter.ask("READ?")) == pytest.approx(1e-5)
    assert len(pressed) == 2
