"""The device side of SCPI: headers, parameters, errors, registers."""

import csv
from collections.abc import Generator
from pathlib import Path

import pytest

from hil.wire.scpi import (
    Boolean,
    Channels,
    Choice,
    Command,
    Integer,
    Interpreter,
    Number,
    ScpiError,
    Status,
    Text,
    spellings,
    split_outside_quotes,
)
from hil.wire.scpi_errors import ERRORS, event_bit

DATA = Path(__file__).parents[2] / "data"


def table(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


class Device:
    """A device with a few commands, pumped without a clock."""

    def __init__(self, *, relative: bool = True, queue: int = 16) -> None:
        self.level, self.seen, self.waited_s = 0.0, [], 0.0
        self.status = Status(queue)
        self.interpreter = Interpreter(
            {
                "[SOURce:]VOLTage[:LEVel]": Command(self.set_level, (Number(low=-5, high=5, unit="V", default=1),)),
                "[SOURce:]VOLTage[:LEVel]?": Command(lambda: f"{self.level:g}"),
                "[SOURce:]VOLTage:OFFSet": Command(self.note, (Number(low=0, high=1, unit="V"),)),
                "OUTPut1[:STATe]": Command(self.note, (Boolean(),)),
                "SENSe:FUNCtion": Command(self.note, (Choice(keywords=("CAPacitance", "INDuctance")),)),
                "DISPlay:TEXT": Command(self.note, (Text(longest=12),)),
                "ROUTe:CLOSe": Command(self.note, (Channels(known=frozenset(range(101, 105))),)),
                "COUNt": Command(self.note, (Integer(low=0, high=255, optional=True),)),
                "MEASure?": Command(self.measure),
            },
            status=self.status,
            identity=lambda: "Maker,Model,1,2",
            reset=lambda: self.note("reset"),
            relative_headers=relative,
        )

    def set_level(self, level: float) -> None:
        self.level = level

    def note(self, *values: object) -> None:
        self.seen.append(values[0] if values else None)

    def measure(self) -> Generator[float, None, str]:
        yield 0.25
        return "42"

    def run(self, message: str) -> str | None:
        steps = self.interpreter.run(message)
        try:
            while True:
                self.waited_s += next(steps)
        except StopIteration as end:
            return end.value

    def errors(self) -> list[int]:
        codes = []
        while (error := self.status.next_error()) != '0,"No error"':
            codes.append(int(error.partition(",")[0]))
        return codes


# Headers


def test_every_spelling_of_a_header() -> None:
    assert sorted(spellings("SYSTem:ERRor[:NEXT]?")) == sorted(
        f"{a}:{b}{c}?" for a in ("SYST", "SYSTEM") for b in ("ERR", "ERROR") for c in ("", ":NEXT")
    )
    assert set(spellings("OUTPut1[:STATe]")) == {
        f"{a}{b}" for a in ("OUTP1", "OUTPUT1", "OUTP", "OUTPUT") for b in ("", ":STAT", ":STATE")
    }


@pytest.mark.parametrize(
    "message", ["VOLT 2", "voltage 2.0", "SOUR:VOLT:LEV +2E0", ":source:voltage 2000 mV", "VOLT 0.002KV", "VOLT #H2"]
)
def test_one_command_in_many_words(message: str) -> None:
    device = Device()
    assert device.run(message) is None
    assert (device.level, device.errors()) == (2.0, [])


@pytest.mark.parametrize("message", ["VOLTA 2", "VOL 2", "SOURC:VOLT 2", "OUTP2 ON", "VOLT:LEV:X 2", "*XYZ?"])
def test_an_unknown_header(message: str) -> None:
    device = Device()
    device.run(message)
    assert device.errors() == [-113]


def test_a_header_continues_where_the_last_one_was() -> None:
    device = Device()
    device.run("SOUR:VOLT 1;VOLT:OFFS 0.5;OFFS 0.25;:VOLT 3")
    assert (device.level, device.seen, device.errors()) == (3.0, [0.5, 0.25], [])
    device.run("VOLT:OFFS 0.5;VOLT 2")  # VOLTage:VOLTage is unknown
    assert device.errors() == [-113]
    device.run("VOLT:OFFS 0.5;*CLS;OFFS 0.75")  # a common command leaves the place
    assert device.seen[-1] == 0.75


def test_complete_headers_only() -> None:
    device = Device(relative=False)
    device.run("VOLT:OFFS 0.5;VOLT 2")
    assert (device.level, device.errors()) == (2.0, [])
    device.run("VOLT:OFFS 0.5;OFFS 0.25")
    assert device.errors() == [-113]


def test_answers_of_one_message_stand_in_one_line_and_take_their_time() -> None:
    device = Device()
    assert device.run("VOLT 1.5;VOLT?;MEAS?;*OPC?") == "1.5;42;1"
    assert device.waited_s == 0.25
    assert device.run("VOLT 1") is None
    assert device.run("") is None


def test_an_error_spoils_one_command_only() -> None:
    device = Device()
    assert device.run("VOLT 9;VOLT?;NONSENSE;*IDN?") == "0;Maker,Model,1,2"
    assert device.errors() == [-222, -113]


# Parameters


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("VOLT", -109),
        ("VOLT ", -109),
        ("VOLT 1,2", -108),
        ("VOLT ,", -108),
        ("VOLT? 1", -108),
        ("VOLT 'x'", -104),
        ("VOLT x", -104),
        ("VOLT 5.0001", -222),
        ("VOLT nan", -104),
        ("VOLT inf", -104),
        ("VOLT 1 A", -131),
        ("VOLT 1 QV", -131),
        ("COUN 3 V", -138),
        ("COUN 256", -222),
        ("VOLT #HG", -121),
        ("OUTP MAYBE", -224),
        ("OUTP 'ON'", -104),
        ("SENS:FUNC RES", -224),
        ("SENS:FUNC 1", -104),
        ("DISP:TEXT abc", -104),
        ("DISP:TEXT 'thirteen char'", -222),
        ("DISP:TEXT 'caf\xe9'", -222),
        ("ROUT:CLOS 101", -104),
        ("ROUT:CLOS (@999)", -222),
        ("ROUT:CLOS (@x)", -171),
        ("?", -101),
        ("A B?C D", -113),
        ("ABC$ 1", -102),
    ],
)
def test_wrong_parameters(message: str, code: int) -> None:
    device = Device()
    device.run(message)
    assert device.errors() == [code]


@pytest.mark.parametrize(
    ("message", "value"),
    [
        ("OUTP ON", True),
        ("OUTP off", False),
        ("OUTP 1", True),
        ("OUTP 0.4", False),
        ("SENS:FUNC capacitance", "CAP"),
        ("SENS:FUNC IND", "IND"),
        ('DISP:TEXT "a;b,""c"', 'a;b,"c'),
        ("DISP:TEXT 'it''s'", "it's"),
        ("ROUT:CLOS (@101,103:104)", (101, 103, 104)),
        ("COUN 2.5", 3),
        ("COUN", None),
        ("VOLT:OFFS MAX", 1.0),
        ("VOLT:OFFS minimum", 0.0),
    ],
)
def test_right_parameters(message: str, value: object) -> None:
    device = Device()
    device.run(message)
    assert (device.seen, device.errors()) == ([value], [])


@pytest.mark.parametrize(
    ("token", "unit", "value"),
    [("4MHZ", "HZ", 4e6), ("4 khz", "HZ", 4e3), ("2MOHM", "OHM", 2e6), ("3MV", "V", 3e-3), ("1 MAS", "S", 1e6)],
)
def test_multipliers(token: str, unit: str, value: float) -> None:
    """IEEE 488.2 table 7-2; MHZ and MOHM are mega (7.7.3.4)."""
    assert Number(low=-1e12, high=1e12, unit=unit).read(token) == pytest.approx(value, rel=1e-15)


def test_default_keyword() -> None:
    assert Number(low=0, high=9, default=4).read("DEF") == 4
    with pytest.raises(ScpiError, match="-104"):
        Number(low=0, high=9).read("DEF")


def test_splitting_keeps_quotes_and_lists_together() -> None:
    assert split_outside_quotes("a 'b;c';d (@1;2);e", ";") == ["a 'b;c'", "d (@1;2)", "e"]


# Errors and registers


@pytest.mark.published("SCPI error numbers", source="SCPI-1999 volume 2 chapter 21, second-hand", how="read")
def test_error_numbers_and_texts() -> None:
    published = {int(row["code"]): row["text"] for row in table("scpi_errors.csv")}
    assert len(published) == 121
    assert published == ERRORS


@pytest.mark.published("class of an error and its event bit", source="IEEE 488.2 11.5.1", how="from memory")
def test_event_bits() -> None:
    registers = {
        row["meaning"]: int(row["mask"], 16) for row in table("ieee488_2_registers.csv") if row["register"] == "ESR"
    }
    wanted = {
        -113: "command error", -222: "execution error", -350: "device dependent error", 3: "device dependent error",
        -410: "query error", -500: "power on", -600: "user request", -700: "request control",
        -800: "operation complete",
    }  # fmt: skip
    assert {code: event_bit(code) for code in wanted} == {code: registers[text] for code, text in wanted.items()}
    assert event_bit(0) == 0


@pytest.mark.published("common commands", source="IEEE 488.2 clause 10, second-hand", how="read")
@pytest.mark.parametrize("command", [row["command"] for row in table("ieee488_2_common_commands.csv")])
def test_common_commands_are_known(command: str) -> None:
    device = Device()
    answer = device.run(f"{command} 4" if command in ("*ESE", "*SRE") else command)
    assert device.errors() == []
    assert (answer is not None) == command.endswith("?")


@pytest.mark.published("queue overflow", source="SCPI-1999 volume 1 chapter 9", how="from memory")
def test_a_full_queue_ends_with_minus_350() -> None:
    device = Device(queue=4)
    for _ in range(6):
        device.run("NONSENSE")
    assert device.errors() == [-113, -113, -113, -350]


def test_clear_and_reset() -> None:
    device = Device()
    device.run("NONSENSE")
    device.run("*RST")
    assert device.errors() == [-113]
    device.run("NONSENSE;*CLS")
    assert device.errors() == []
    assert device.run("*ESR?") == "0"


def test_events_and_status_byte() -> None:
    device = Device()
    assert device.run("*ESR?;*ESR?") == "128;0"  # power on, then read and cleared
    assert device.run("NONSENSE;VOLT 99;*OPC;*STB?;*ESR?") == "4;49"
    device.run("*CLS;*ESE 32;*SRE 32")
    assert device.run("*ESE?;*SRE?") == "32;32"
    assert device.run("NONSENSE;*STB?") == "100"  # queue, event summary, master summary
    device.run("*CLS;*SRE 255")
    assert device.run("*SRE?") == "191"  # bit 6 cannot be enabled
    assert device.run("SYST:VERS?;:SYST:ERR?") == '1999.0;0,"No error"'


def test_details_of_an_error() -> None:
    assert str(ScpiError(-222, "no such channel")) == '-222,"Data out of range;no such channel"'


def test_a_message_that_recurs_is_carried_out_each_time_errors_included() -> None:
    device = Device()
    for _ in range(2):
        assert device.run("VOLT 2;NONSENSE;VOLT?;OUTP1 5V;COUN 7") == "2"
        assert [device.status.next_error()[:4] for _ in range(3)] == ["-113", "-138", '0,"N']
        device.level = 0.0
    assert device.seen == [7, 7]
