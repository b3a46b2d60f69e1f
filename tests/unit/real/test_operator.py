"""The person at the terminal: what is asked, what may be answered, how it ends."""

import io
import math
from collections.abc import Callable

import pytest

from hil.errors import Interrupted
from hil.real.operator import RecordedOperator, TerminalOperator, parse_value
from hil.real.trace import Trace
from hil.sim.clock import SimClock


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4.98 V", "V", 4.98),
        ("4.98", "V", 4.98),
        (" 31 mA ", "A", 0.031),
        ("1.2 kohm", "ohm", 1200.0),
        ("1.2k", "ohm", 1200.0),
        ("350 m", "V", 0.35),
        ("OL", "ohm", math.inf),
        ("-2.1e-3", "V", -0.0021),
        ("23 degC", "degC", 23.0),
    ],
)
def test_a_value_is_typed_with_or_without_its_unit(text: str, unit: str, value: float) -> None:
    assert parse_value(text, unit) == pytest.approx(value)


@pytest.mark.parametrize("text", ["4.98 A", "4,98 V", "nan", "", "about five"])
def test_what_is_no_value_of_that_unit_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"unit|value"):
        parse_value(text, "V")


@pytest.mark.parametrize("text", ["4,98", "1k2", "nan", "", "about five"])
def test_what_is_no_value_is_told_how_to_write_one(text: str) -> None:
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole sentence follows
        parse_value(text, "V")
    assert str(caught.value) == (
        f"'{text}' is no value in V. Type digits with a point, as 4.98 or 4.98 V; OL for over range."
    )


def operator(answers: str) -> tuple[TerminalOperator, io.StringIO]:
    shown = io.StringIO()
    return TerminalOperator(io.StringIO(answers), shown), shown


def test_an_unusable_answer_is_asked_for_again() -> None:
    person, shown = operator("4.98 A\n4.98 V\n")
    assert person.read_value("voltmeter", "DC voltage", "V") == 4.98
    assert shown.getvalue().count("Type the DC voltage that the voltmeter shows, in V: ") == 2
    assert "'4.98 A' has the unit A, but V is needed" in shown.getvalue()


def test_enter_means_yes_and_no_is_respected() -> None:
    person, _ = operator("\nn\nYES\n")
    assert [person.confirm("Really?"), person.lamp_is_lit("LED1"), person.confirm("Sure?")] == [True, False, True]


def test_display_and_lamps_are_watched_until_asked_about() -> None:
    person, shown = operator("\nn\n")
    person.watch()
    assert not person.was_steady()
    assert "Watch the display and both lamps until you are asked about them. Watching? [Y/n] " in shown.getvalue()
    assert "Were display and lamps steady all the time, without a flicker? [Y/n] " in shown.getvalue()


def test_a_capacitor_is_discharged_before_it_is_fitted() -> None:
    person, shown = operator("y\ny\ny\n")
    person.fit("c_1u", "1 uF film capacitor")
    person.fit("open", "")
    person.fit("short", "")
    assert "Fit c_1u (1 uF film capacitor) to the terminals; discharge a capacitor before you do." in shown.getvalue()
    assert "Take everything off the terminals." in shown.getvalue()
    assert "shorting bar" in shown.getvalue()


def test_both_keys_and_the_two_lines_of_a_display() -> None:
    person, shown = operator("y\nC=100.0 pF|BAT 7.41V\n")
    person.press(["KEY1", "KEY2"], 1.2)
    assert person.read_display() == "C=100.0 pF\nBAT 7.41V"
    assert "Press KEY1 and KEY2 together for about 1.2 s." in shown.getvalue()


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ("", "The input ended where the operator was asked. Start the check at a terminal."),
        ("quit\n", "The operator stopped the run."),
        ("what\n" * 9, "No usable answer after 5 attempts: Is it on? [Y/n]"),
    ],
)
def test_nobody_there_quit_and_nonsense_stop_the_run(answers: str, words: str) -> None:
    person, _ = operator(answers)
    with pytest.raises(Interrupted) as caught:
        person.confirm("Is it on?")
    assert str(caught.value) == words


def test_a_unit_that_is_never_put_in_stops_the_run() -> None:
    person, _ = operator("n\n" * 9)
    with pytest.raises(Interrupted, match="Not done: Put unit QM2-1 into the jig"):
        person.insert("QM2-1")


def test_every_question_goes_into_the_trace_and_typed_values_are_hand_read() -> None:
    clock, trace = SimClock(), Trace()
    person, _ = operator("4.98 V\nn\ny\n")
    recorded = RecordedOperator(person, clock=clock, trace=trace)
    recorded.read_value("voltmeter", "DC voltage", "V")
    recorded.confirm("Is it dark?")
    recorded.fit("open", "")
    found = [(str(one), one.hand_read) for one in trace.drain()]
    assert found == [
        ("voltmeter: DC voltage, V → 4.98", True),
        ("operator: Is it dark? → False", False),
        ("operator: fit open", False),
    ]


def test_what_was_asked_is_in_the_trace_when_the_person_leaves() -> None:
    trace = Trace()
    person, _ = operator("")
    recorded = RecordedOperator(person, clock=SimClock(), trace=trace)
    asks: list[Callable[[], object]] = [recorded.read_display, lambda: recorded.probe("TP_5V:GND")]
    for ask in asks:
        with pytest.raises(Interrupted):
            ask()
    assert [one.answered for one in trace.drain()] == ["(Interrupted)", "(Interrupted)"]


def test_a_question_that_is_interrupted_ends_its_line() -> None:
    class Pressed(io.StringIO):
        def readline(self, size: int = -1, /) -> str:
            raise KeyboardInterrupt

    shown = io.StringIO()
    with pytest.raises(KeyboardInterrupt):
        TerminalOperator(Pressed(), shown).confirm("Is it on?")
    assert shown.getvalue() == "Is it on? [Y/n] \n"
