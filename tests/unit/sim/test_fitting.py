"""What jig, people and chance add to an insertion."""

import statistics

import pytest

from hil.sim.fitting import AS_DRAWN, Fitting
from hil.sim.streams import Streams
from hil.sim.trouble import Troubles, parse_trouble


def fitting(*troubles: str, person: str = "Ann", seed: int = 1, insertion: int = 1) -> Fitting:
    return Fitting(
        Troubles(map(parse_trouble, troubles)), Streams(seed, "bench"), Streams(seed, "QM2-1", insertion), person
    )


def test_nothing_is_added_unless_it_is_said() -> None:
    for one in (AS_DRAWN, fitting()):
        assert (one.capacitance_f, one.inductance_h, one.resistance_ohm, one.contact_ohm("GND")) == (0, 0, 0, 0)


def test_jig_and_one_persons_habit_are_the_same_at_every_insertion() -> None:
    said = ("bench.jig.contact=+10mohm", "bench.operator.Ann.contact=+60mohm")
    assert [fitting(*said, insertion=number).contact_ohm("GND") for number in (1, 2)] == pytest.approx([0.07, 0.07])
    assert fitting(*said, person="Ben").contact_ohm("TP_5V") == pytest.approx(0.01)


def test_habits_scatter_from_person_to_person_and_stay() -> None:
    said = "bench.operators.capacitance=0.2pF"
    habits = [fitting(said, person=f"P{number}").capacitance_f for number in range(400)]
    assert statistics.stdev(habits) == pytest.approx(0.2e-12, rel=0.1)
    assert abs(statistics.fmean(habits)) < 0.03e-12
    assert fitting(said, insertion=7).capacitance_f == fitting(said, insertion=8).capacitance_f
    assert fitting(said, seed=2).capacitance_f != fitting(said).capacitance_f


def test_chance_is_drawn_anew_at_each_insertion_and_for_each_needle() -> None:
    said = "bench.jig.contact.fitting=5mohm"
    drawn = [fitting(said, insertion=number).contact_ohm("GND") for number in range(400)]
    assert statistics.stdev(drawn) == pytest.approx(0.005, rel=0.1)
    one = fitting(said)
    assert one.contact_ohm("GND") == one.contact_ohm("GND") != one.contact_ohm("TP_5V")
