"""Trouble besides the board's."""

import math

import pytest

from hil.sim.trouble import Troubles, is_trouble, parse_trouble


def test_what_is_trouble_and_what_is_the_boards() -> None:
    assert is_trouble("bench.voltmeter=silent")
    assert is_trouble("firmware=hangs")
    assert not is_trouble("R5=open")
    assert not is_trouble("U3=blank")


def test_effects() -> None:
    trouble = parse_trouble("bench.meter=vanish@12")
    assert (trouble.target, trouble.effect, trouble.after) == ("bench.meter", "vanish", 12)
    assert parse_trouble("firmware=hangs").after == 3
    assert parse_trouble("bench.operator=wrong_part@c_1n").detail == "c_1n"


def test_amounts() -> None:
    troubles = Troubles(
        map(
            parse_trouble,
            [
                "bench.voltmeter.voltage=+3%",
                "bench.supply.current=-2 mA",
                "bench.contact.TP_5V=20ohm",
                "bench.contact.TP_3V=open",
            ],
        )
    )
    assert troubles.offset("voltmeter", "voltage") == (0.03, 0.0)
    assert troubles.offset("supply", "current") == (0.0, -0.002)
    assert troubles.offset("supply", "voltage") == (0.0, 0.0)
    assert [troubles.contact_ohm(point) for point in ("TP_5V", "TP_3V", "TP_DIV")] == [20.0, math.inf, 0.0]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("bench.voltmeter", "write TARGET=EFFECT, for example bench.voltmeter=silent"),
        ("bench.voltmeter=broken", "bench.voltmeter allows silent, garbage, wrong_identity, partial, vanish"),
        ("bench.toaster=silent", "no such target; known: bench.operator, bench.meter, bench.supply"),
        ("bench.voltmeter.mood=+3%", "known quantities: voltage, current, resistance, frequency, temperature"),
        ("bench.voltmeter.voltage=+3 A", "voltage has the unit V; or give a ratio such as \\+3%"),
        ("bench.meter=silent@x", "after @ stands a number, for example silent@12"),
        ("bench.contact.TP_5V=5 V", "a contact is 'open' or has a resistance such as 20ohm"),
    ],
)
def test_what_is_wrong_and_what_is_allowed(text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        parse_trouble(text)


def test_jig_and_people() -> None:
    troubles = Troubles(
        map(
            parse_trouble,
            [
                "bench.jig.capacitance=+0.5pF",
                "bench.jig.contact.fitting=5mohm",
                "bench.operators.inductance=2 nH",
                "bench.operator.B. Sample.contact=+60mohm",
            ],
        )
    )
    assert troubles.amount("bench.jig.capacitance") == pytest.approx(0.5e-12)
    assert troubles.amount("bench.jig.contact.fitting") == pytest.approx(5e-3)
    assert troubles.amount("bench.operators.inductance") == pytest.approx(2e-9)
    assert troubles.amount("bench.operator.B. Sample.contact") == pytest.approx(0.06)
    assert troubles.amount("bench.jig.resistance") == 0


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("bench.jig.mood=+3pF", "known quantities: capacitance, inductance, resistance, contact"),
        ("bench.operator.Ann.contact.fitting=5mohm", "write bench.jig.QUANTITY, bench.jig.QUANTITY.fitting"),
        ("bench.jig.capacitance=+3mohm", "capacitance has the unit F"),
        ("bench.operators.contact=-5mohm", "a standard deviation is not negative"),
    ],
)
def test_what_is_wrong_about_jig_and_people(text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        parse_trouble(text)
