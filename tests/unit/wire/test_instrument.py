"""Answers of SCPI instruments, and command sets as values that cannot be wrong."""

import math

import pytest

from hil.wire import instrument
from hil.wire.instrument import CommandSet, Verb


@pytest.mark.parametrize(
    ("answer", "value"), [("+4.99876E+00", 4.99876), ("-3", -3.0), (".5", 0.5), (" 12. ", 12.0), ("1E3", 1000.0)]
)
def test_numbers(answer: str, value: float) -> None:
    assert instrument.number(answer) == value


def test_scpi_1999_writes_infinity_and_not_a_number_as_numbers() -> None:
    assert instrument.number("9.9E37") == math.inf
    assert instrument.number("-9.9E+37") == -math.inf
    assert math.isnan(instrument.number("9.91E37"))
    assert instrument.number("9.8999997E37") == math.inf  # in single precision
    assert instrument.number("9.8E37") == 9.8e37


@pytest.mark.parametrize("answer", ["", "nan", "inf", "1,2", "4.99 V", "0x10", "--1", "１"])
def test_what_is_no_number(answer: str) -> None:
    with pytest.raises(ValueError, match="is not a number"):
        instrument.number(answer)


def test_flags_texts_and_errors() -> None:
    assert [instrument.flag(text) for text in ("1", "OFF", "on", "+0")] == [True, False, True, False]
    assert instrument.text('"say ""hello"""') == 'say "hello"'
    assert instrument.error('-113,"Undefined header;*XYZ?"') == (-113, "Undefined header;*XYZ?")
    assert instrument.error("+0,No error") == (0, "No error")
    for read, answer in ((instrument.flag, "2"), (instrument.text, "bare"), (instrument.error, "fine")):
        with pytest.raises(ValueError, match=answer):
            read(answer)


def test_answers_and_values_are_split_outside_quotes() -> None:
    assert instrument.answers('1;0,"a;b";2') == ["1", '0,"a;b"', "2"]
    assert instrument.values('"a,b",3') == ['"a,b"', "3"]


def test_an_identity_has_four_fields() -> None:
    found = instrument.parse_identity("Quillmere Instruments,QM-2,0,1.2.0")
    assert (found.maker, found.model, found.serial, found.firmware) == ("Quillmere Instruments", "QM-2", "0", "1.2.0")
    for answer in ("QM-2", ",,,", "a,b,c,d,e"):
        with pytest.raises(ValueError, match=r"is no answer to \*IDN\?"):
            instrument.parse_identity(answer)


def test_a_verb_sends_its_template_and_reads_its_answer() -> None:
    verb = Verb(send="MEAS:VOLT? (@{channels})", answer="number", scale=1e-3)
    assert verb.message({"channels": "101"}) == "MEAS:VOLT? (@101)"
    assert verb.read("4998.7") == pytest.approx(4.9987)
    assert Verb(send="OUTP?", answer="flag").read("ON") == 1.0
    limited = Verb(send="STAT:QUES:COND?", answer="number", bit=1)
    assert [limited.read(answer) for answer in ("2", "1", "3", "0")] == [1.0, 0.0, 1.0, 0.0]
    for answer in ("1.5", "-1", "9.91E37"):
        with pytest.raises(ValueError, match="is not a register"):
            limited.read(answer)


@pytest.mark.parametrize(
    ("send", "answer", "words"),
    [
        ("MEAS:VOLT?", "none", "a question has a '?', a command has none"),
        ("OUTP ON", "number", "a question has a '?', a command has none"),
        ("OUTP ON", "text", "answer 'text' is not known; known: none, number, flag"),
    ],
)
def test_a_verb_that_contradicts_itself_is_refused(send: str, answer: str, words: str) -> None:
    with pytest.raises(ValueError, match=r"known|question") as caught:
        Verb(send=send, answer=answer)
    assert words in str(caught.value)


def test_a_template_with_a_name_that_nobody_gives_is_refused() -> None:
    with pytest.raises(ValueError, match="volts") as caught:
        CommandSet(name="x", kind="supply", verbs={"set": Verb(send="VOLT {volts}")})
    assert str(caught.value) == ("set: {volts} is not known in a template; known: current_limit_a, voltage_v")
    with pytest.raises(ValueError, match="a supply has no verb 'sing'; known: set, on"):
        CommandSet(name="x", kind="supply", verbs={"sing": Verb(send="SING")})
