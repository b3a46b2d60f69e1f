"""Roles read and set by hand: the person is asked, no more often than needed."""

import math

import pytest

from hil.errors import BenchError
from hil.real.by_hand import HandCounter, HandGenerator, HandSupply, HandThermometer, HandVoltmeter


class Person:
    """Answers yes unless told otherwise, and keeps what was asked."""

    def __init__(self, *, says: bool = True, value: float = 1.5) -> None:
        self.says, self.value, self.asked = says, value, []  # type: ignore[var-annotated]

    def confirm(self, question: str) -> bool:
        self.asked.append(question)
        return self.says

    def read_value(self, role: str, what: str, unit: str) -> float:
        self.asked.append(f"{role}: {what} [{unit}]")
        return self.value

    def fit(self, part: str, description: str) -> None:
        self.asked.append(f"fit {part} ({description})")

    def request(self, text: str) -> None:
        self.asked.append(text)

    def probe(self, point: str, instrument: str = "probe") -> None:
        self.asked.append(f"probe {point}")


def test_supply_is_set_switched_and_read() -> None:
    person, switched = Person(), []
    supply = HandSupply(person, lambda: switched.append(1))  # type: ignore[arg-type]
    supply.set(7.4, 0.15)
    supply.on()
    assert supply.voltage_v() == 1.5
    supply.off()
    supply.off()  # it is off: nobody is asked again
    assert person.asked == [
        "Set the supply to 7.400 V, current limit 150 mA. Done?",
        "Switch the output of the supply on. Done?",
        "supply: voltage [V]",
        "Switch the output of the supply off. Done?",
    ]
    assert len(switched) == 2
    assert supply.in_current_limit()


def test_wrong_polarity_is_leads_exchanged_and_put_back() -> None:
    person = Person()
    supply = HandSupply(person, lambda: None)  # type: ignore[arg-type]
    supply.off()
    supply.set(-7.4, 0.01)
    supply.set(-7.4, 0.01)  # as it is: nobody is asked again
    supply.on()
    supply.off()
    supply.set(0.0, 0.01)
    supply.set(7.4, 0.06)
    supply.have_switched_on()
    assert person.asked[1:] == [
        "Exchange the leads of the supply at the unit, the wrong polarity is meant. "
        "Set the supply to 7.400 V, current limit 10.0 mA. Done?",
        "Switch the output of the supply on. Done?",
        "Switch the output of the supply off and put its leads the right way round again. Done?",
        "Set the supply to 0.000 V, current limit 10.0 mA. Done?",
        "Set the supply to 7.400 V, current limit 60.0 mA. Done?",
        "Switch the output of the supply on now; no answer is needed.",
    ]


def test_a_supply_whose_state_nobody_knows_is_asked_for_at_the_end() -> None:
    person = Person()
    HandSupply(person, lambda: None).off()  # type: ignore[arg-type]
    assert person.asked == ["Switch the output of the supply off. Done?"]


def test_no_means_trouble_of_the_bench() -> None:
    person = Person(says=False)
    with pytest.raises(BenchError, match="Not done: Switch the output of the supply on"):
        HandSupply(person, lambda: None).on()  # type: ignore[arg-type]
    with pytest.raises(BenchError, match="The generator was not switched on"):
        HandGenerator(person).square(4e6, 5.0)  # type: ignore[arg-type]


def test_measuring_instruments_are_read() -> None:
    person = Person(value=math.inf)
    assert math.isinf(HandVoltmeter(person).resistance_ohm())  # type: ignore[arg-type]
    person.value = 610_123.0
    assert HandCounter(person).frequency_hz(1.0) == 610_123.0  # type: ignore[arg-type]
    assert HandThermometer(person).temperature_degc() == 610_123.0  # type: ignore[arg-type]
    assert person.asked[0] == "voltmeter: resistance (OL when over range) [ohm]"
