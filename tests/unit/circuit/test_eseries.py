"""Preferred values."""

import csv
from pathlib import Path

import pytest

from hil.circuit.eseries import SERIES, neighbours, series_of

TABLE = Path(__file__).parents[2] / "data" / "iec60063_eseries.csv"


@pytest.mark.published("E3 to E192", source="IEC 60063, as printed by the package eseries 1.2.1", how="read")
@pytest.mark.parametrize("name", SERIES)
def test_series_are_those_of_the_standard(name):
    with TABLE.open(encoding="utf-8") as file:
        printed = {row["series"]: [int(word) for word in row["values"].split()] for row in csv.DictReader(file)}
    digits = 10 if max(printed[name]) < 100 else 100
    assert [round(value * digits) for value in SERIES[name]] == printed[name]


@pytest.mark.parametrize(
    ("value", "series", "expected"),
    [
        (220e3, "E24", (200e3, 240e3)),
        (1e3, "E24", (910.0, 1.1e3)),
        (9.1, "E24", (8.2, 10.0)),
        (680e-12, "E12", (560e-12, 820e-12)),
        (169.0, "E96", (165.0, 174.0)),
        (10.0, "E3", (4.7, 22.0)),
    ],
)
def test_neighbours(value, series, expected):
    assert neighbours(value, series) == pytest.approx(expected, rel=1e-9)


def test_neighbours_of_a_value_between():
    assert neighbours(5.0, "E6") == pytest.approx((4.7, 6.8))


def test_unknown_series_and_impossible_value():
    with pytest.raises(ValueError, match=r"no series 'E7'; known: E3, E6"):
        neighbours(1.0, "E7")
    with pytest.raises(ValueError, match="above zero"):
        neighbours(0.0, "E24")


def test_every_resistor_and_tank_capacitor_of_the_board_is_a_preferred_value(netlist):
    for part in netlist.of_kind("resistor"):
        assert series_of(part.parameters[0].value) is not None, part.designator
    assert series_of(1.23456) is None
