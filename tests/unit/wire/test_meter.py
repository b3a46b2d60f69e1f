"""The bench port's conversations, with the test in the meter's place."""

import math
from collections.abc import Callable, Iterable

import pytest

from hil.errors import BenchError, MeterError, MeterSilent
from hil.wire import meter
from hil.wire.meter import Await, Conversation, LinkCut, Pattern, Pending, Send

SILENCE = ""
LOST = (
    "Bytes are lost between meter and computer: check the serial cable, its plugs and ground, and that no other "
    "program reads the port; then check the unit again."
)


class Scripted:
    """Plays the meter: every line sent is looked up; what is not known stays unanswered."""

    def __init__(self, answers: dict[str, Iterable[str]], *, pending: str = "") -> None:
        self._answers = {sent: list(said) for sent, said in answers.items()}
        self._queue: list[str] = []
        self._pending = pending
        self.sent: list[str] = []
        self.waited_s = 0.0

    def run(self, conversation: Conversation[object]) -> object:
        step = next(conversation)
        for _ in range(500):
            match step:
                case Send(line):
                    self.sent.append(line)
                    answers = self._answers.get(line, [])
                    if answers:
                        self._queue.append(answers.pop(0))
                    received = ""
                case Await(timeout_s):
                    received = self._queue.pop(0) if self._queue else SILENCE
                    self.waited_s += 0.0 if received else timeout_s
                case Pending():
                    received, self._pending = self._pending + "".join(self._queue), ""
                    self._queue.clear()
            try:
                step = conversation.send(received)
            except StopIteration as end:
                return end.value
        raise AssertionError("the conversation does not end")


GOOD = {"SYST:VERS?": ["1999.0\r\n"] * 5, "SYST:ERR?": ['0,"No error"\n'] * 5}


def test_an_answer_comes_back_without_its_end() -> None:
    port = Scripted({"READ?": ["1.000123E-10\r\n"]})
    assert port.run(meter.ask("READ?", timeout_s=2.0)) == "1.000123E-10"
    assert port.sent == ["READ?"]


def test_a_cut_off_answer_is_asked_for_again() -> None:
    port = Scripted({**GOOD, "READ?": ["1.0001", "1.000123E-10\n"]})
    assert port.run(meter.ask("READ?", timeout_s=2.0)) == "1.000123E-10"
    assert port.sent == ["READ?", "SYST:VERS?", "SYST:ERR?", "READ?"]


def test_a_late_answer_is_never_taken_for_the_next_one() -> None:
    port = Scripted({**GOOD, "MEAS:BATT?": [SILENCE, "7.412\n"], "SYST:VERS?": ["610123\n", "1999.0\n"]})
    assert port.run(meter.ask("MEAS:BATT?", timeout_s=2.0)) == "7.412"


@pytest.mark.parametrize("command", ["DIAG:PRES?", "DIAGnostic:PRESses?", "*ESR?"])
def test_a_question_that_changes_something_is_not_repeated(command: str) -> None:
    port = Scripted({**GOOD, command: ["1,0", "1,0,0\n"]})
    with pytest.raises(LinkCut) as caught:
        port.run(meter.ask(command, timeout_s=2.0))
    assert port.sent.count(command) == 1
    assert str(caught.value) == (
        f"the answer to {command!r} came cut off, '1,0', and this question cannot be asked again. {LOST}"
    )


def test_an_answer_that_is_short_twice_is_the_meters_when_others_come_in_full() -> None:
    port = Scripted({**GOOD, "READ?": ["1.0001", "1.0001"]})
    with pytest.raises(MeterError) as caught:
        port.run(meter.ask("READ?", timeout_s=2.0))
    assert str(caught.value) == (
        "the meter's answer to 'READ?' is cut off before its line end, though others come in full: '1.0001'. "
        "Check the firmware of the unit, its serial line and its clock."
    )


@pytest.mark.parametrize("pings", [["199", "1999.0\r"], ["1999.0", SILENCE], [SILENCE, "1"]])
def test_lines_that_are_all_cut_off_say_nothing_about_the_unit(pings: list[str]) -> None:
    port = Scripted({"READ?": ["1.0001"], "SYST:VERS?": pings})
    with pytest.raises(LinkCut) as caught:
        port.run(meter.ask("READ?", timeout_s=2.0))
    assert str(caught.value).startswith("lines of the meter come cut off: 'SYST:VERS?' is answered with '1")
    assert str(caught.value).endswith(LOST)


def test_a_meter_that_falls_silent_in_the_middle_of_an_answer() -> None:
    with pytest.raises(MeterSilent) as caught:
        Scripted({"READ?": ["1.0001"]}).run(meter.ask("READ?", timeout_s=2.0))
    assert str(caught.value) == (
        "the meter stopped in the middle of its answer to 'READ?', after '1.0001', and answers nothing since. "
        "Check that the unit still has power and the serial cable is plugged in."
    )


def test_silence_says_how_long_and_what_to_look_at() -> None:
    port = Scripted({})
    with pytest.raises(MeterSilent) as caught:
        port.run(meter.ask("*IDN?", timeout_s=2.0))
    assert str(caught.value) == (
        "the meter does not answer '*IDN?' within 2 s. "
        "Check that the unit has power and the serial cable is plugged in."
    )
    assert port.waited_s == pytest.approx(2.0 + 2 * 0.5)


def test_a_meter_that_ignores_one_question_but_answers_others() -> None:
    port = Scripted({"SYST:VERS?": ["1999.0\n"] * 5, "SYST:ERR?": ['0,"No error"\n'] * 5})
    with pytest.raises(MeterSilent, match="though it answers other questions"):
        port.run(meter.ask("READ?", timeout_s=2.0))


def test_garbage_names_baud_rate_and_clock() -> None:
    port = Scripted({"*IDN?": ["\x9f\x03\xf8\n"], "SYST:VERS?": ["\x81\x9f"] * 4})
    with pytest.raises(MeterError, match=r"nothing but garbage: .*baud rate.*crystal"):
        port.run(meter.ask("*IDN?", timeout_s=2.0))


def test_a_refused_question_says_why() -> None:
    port = Scripted({"SYST:VERS?": ["1999.0\n"], "SYST:ERR?": ['-113,"Undefined header"\n', '0,"No error"\n']})
    with pytest.raises(MeterError) as caught:
        port.run(meter.ask("MEAS:LUCK?", timeout_s=2.0))
    assert str(caught.value) == "the meter refuses 'MEAS:LUCK?': -113 Undefined header"


@pytest.mark.parametrize("where", ["before", "instead", "while finding each other"])
def test_a_banner_nobody_waits_for_is_a_restart_with_its_cause(where: str) -> None:
    banner = "\x00QM-2 1.2.0 ready\r\n"
    answers: dict[str, Iterable[str]] = {"SYST:CAUS?": ["BROWN\n"]}
    if where == "instead":
        answers["READ?"] = [banner]
    elif where == "while finding each other":
        answers["SYST:VERS?"] = [banner]
    port = Scripted(answers, pending=banner if where == "before" else "")
    with pytest.raises(MeterError) as caught:
        port.run(meter.ask("READ?", timeout_s=2.0))
    assert str(caught.value) == (
        "the meter restarted in mid-run (cause BROWN), noticed at 'READ?'. "
        "Check supply, contacts and supply current, then check the unit again."
    )
    assert ("READ?" in port.sent) == (where != "before")


def test_a_command_is_followed_by_the_question_for_errors() -> None:
    port = Scripted({"SENS:FUNC IND;SYST:ERR?": ['0,"No error"\n']})
    assert port.run(meter.tell("SENS:FUNC IND", timeout_s=2.0)) is None


def test_a_refused_command_says_why_and_leaves_no_error_behind() -> None:
    port = Scripted({"CAL:CCAL 1;SYST:ERR?": ['-222,"Data out of range"\n'], "SYST:ERR?": ['0,"No error"\n']})
    with pytest.raises(MeterError) as caught:
        port.run(meter.tell("CAL:CCAL 1", timeout_s=2.0))
    assert str(caught.value) == "the meter refuses 'CAL:CCAL 1': -222 Data out of range"
    assert port.sent[-1] == "SYST:ERR?"


def test_giving_a_serial_number_is_never_repeated() -> None:
    command = 'SYST:SER "QM2-1";SYST:ERR?'
    port = Scripted({**GOOD, command: ["0,"]})
    with pytest.raises(LinkCut):
        port.run(meter.tell('SYST:SER "QM2-1"', timeout_s=2.0))
    assert port.sent.count(command) == 1


def test_a_lost_answer_to_a_command_is_asked_for_again() -> None:
    command = "DIAG:REL2 ON;SYST:ERR?"
    port = Scripted({**GOOD, command: ["0,", '0,"No error"\n']})
    assert port.run(meter.tell("DIAG:REL2 ON", timeout_s=2.0)) is None


@pytest.mark.parametrize("command", ["X" * 64, "READ?\n", "READ?µ"])
def test_a_line_the_meter_would_drop_is_refused_at_once(command: str) -> None:
    with pytest.raises(ValueError, match="no line for the meter"):
        Scripted({}).run(meter.ask(command, timeout_s=2.0))


def test_the_start_banner_is_found_behind_noise() -> None:
    port = Scripted({})
    port._queue = ["\x00\xff\n", "QM-2 1.2.0 ready\r\n"]
    banner = port.run(meter.await_start(timeout_s=1.0))
    assert str(banner) == "QM-2 1.2.0 ready"


def test_no_banner_is_none_and_noise_does_not_wait_for_ever() -> None:
    assert Scripted({}).run(meter.await_start(timeout_s=1.0)) is None
    port = Scripted({})
    port._queue = ["?\n"] * 100
    assert port.run(meter.await_start(timeout_s=1.0)) is None


@pytest.mark.parametrize(
    ("command", "gates"),
    [("READ?", 1), ("CALibration:ALL?", 2), ("MEASure:FREQuency?", 1), ("*TST?", 1), ("FETC?", 0), ("CAL:ZERO?", 1),
     ("CAL:CCAL?", 0), ("READ?;MEAS:FREQ?", 2)],
)  # fmt: skip
def test_time_limits_follow_the_gates(command: str, gates: int) -> None:
    assert meter.due_s(command) == pytest.approx(gates * 1.01 + 1.0)


def test_numbers_and_texts_of_an_answer() -> None:
    assert meter.numbers("CAL:TANK?", "6.9E-10,1.01E-4") == (6.9e-10, 1.01e-4)
    infinite, missing = meter.numbers("X?", "9.9E37,9.91E+37")
    assert math.isinf(infinite)
    assert math.isnan(missing)
    assert meter.texts("DISP:TEXT?", '"C=1,5 pF","BAT ""7"""') == ("C=1,5 pF", 'BAT "7"')
    for read, answer in ((meter.numbers, "1.2.3"), (meter.numbers, "nan"), (meter.texts, "C=1"), (meter.numbers, "")):
        read_any: Callable[[str, str], object] = read
        with pytest.raises(MeterError, match=r"the meter's answer to 'X\?'"):
            read_any("X?", answer)


# Listening only

PATTERN = Pattern(r"C=(?P<capacitance>\S+(?: \S*F)?)|L=(?P<inductance>\S+(?: \S*H)?)")


@pytest.mark.parametrize(
    ("line", "picked"),
    [
        ("C=100.0 pF  BAT 7.41V", {"capacitance": 100e-12}),
        ("L=1.000 mH", {"inductance": 1e-3}),
        ("C=OVER", {"capacitance": math.inf}),
        ("BAT 7.41V", {}),
    ],
)
def test_a_pattern_picks_values_from_what_is_printed(line: str, picked: dict[str, float]) -> None:
    assert PATTERN.pick(line) == pytest.approx(picked)


def test_dashes_are_not_a_number() -> None:
    assert math.isnan(PATTERN.pick("C=----")["capacitance"])


def test_listening_takes_the_second_line_because_the_first_gate_may_be_older_than_the_question() -> None:
    port = Scripted({})
    conversation = meter.listen("READ?", PATTERN, timeout_s=3.0)
    assert isinstance(next(conversation), Pending)
    assert conversation.send("C=9.000 pF\n") == Await(3.0)
    assert conversation.send("C=50.00 pF\n") == Await(3.0)
    assert conversation.send("nothing to see\n") == Await(3.0)
    with pytest.raises(StopIteration) as end:
        conversation.send("C=100.0 pF\n")
    heard = end.value.value
    assert (float(heard.answer), heard.function) == (pytest.approx(100e-12), "CAP")
    assert port.sent == []


def test_a_line_of_questions_is_answered_as_the_bench_port_would() -> None:
    command = "SENS:FUNC IND;SENS:FUNC?;READ?"
    assert meter.function_wanted(command) == "IND"
    conversation = meter.listen(command, PATTERN, timeout_s=3.0)
    next(conversation)
    conversation.send("C=100.0 pF\n")
    conversation.send("C=----\n")
    with pytest.raises(StopIteration) as end:
        conversation.send("C=----\n")
    function, value = end.value.value.answer.split(";")
    assert (function, end.value.value.function) == ("CAP", "CAP")
    assert math.isnan(meter.numbers("READ?", value)[0])


@pytest.mark.parametrize("command", ["CAL:CCAL?", "CAL:STOR", "MEAS:BATT?", "SENS:FUNC CAP;SENS:FUNC?;MEAS:BATT?"])
def test_what_cannot_be_heard_is_trouble_of_the_bench(command: str) -> None:
    with pytest.raises(BenchError) as caught:
        Scripted({}).run(meter.listen(command, PATTERN, timeout_s=3.0))
    assert str(caught.value) == (
        f"this bench only listens to the meter and cannot send {command!r}; its pattern picks capacitance, inductance. "
        "Choose a scope or a limits file without this row."
    )


def test_a_pattern_that_never_fits_ends() -> None:
    port = Scripted({})
    port._queue = []
    conversation = meter.listen("READ?", PATTERN, timeout_s=3.0)
    next(conversation)
    with pytest.raises(MeterSilent, match="correct 'pattern'"):
        any(conversation.send("hello\n") is None for _ in range(1000))


def test_printed_lines_without_ends_are_the_links() -> None:
    conversation = meter.listen("READ?", PATTERN, timeout_s=3.0)
    next(conversation)
    conversation.send("")
    conversation.send("C=100.0 pF")
    with pytest.raises(LinkCut, match=r"what the meter prints comes without line ends: 'C=100.0 p'. Bytes are lost"):
        conversation.send("C=100.0 p")


def test_a_pattern_needs_a_known_group() -> None:
    with pytest.raises(ValueError, match="group 'luck' is not known; known: capacitance"):
        Pattern("(?P<luck>.)")
