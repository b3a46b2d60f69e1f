"""What the board model costs: a fresh operating point, a fresh limit cycle, an answer from the cache."""

import random
from itertools import count

import pytest

from hil.app.locate import label_of, locate, read_text
from hil.circuit.board import BoardModel, Conditions, Terminal, draw_values
from hil.files.netlist import parse_netlist

IDLE = tuple({"PB0": "low", "PB1": "low", "PD5": "high", "PD2": "pullup", "PD3": "pullup"}.items())


@pytest.fixture(scope="module")
def unit() -> BoardModel:
    path = locate("board", "qm2")
    netlist = parse_netlist(label_of(path), read_text(path))
    model = BoardModel(netlist, draw_values(netlist, lambda name: random.Random(name).random()))
    model.solve(Conditions(supply_v=7.4, supply_limit_a=0.2, pins=IDLE))
    return model


def test_fresh_operating_point(benchmark, unit) -> None:
    volts = (7.0 + number * 1e-6 for number in count())
    found = benchmark(lambda: unit.solve(Conditions(supply_v=next(volts), supply_limit_a=0.2, pins=IDLE)))
    assert found.converged


def test_fresh_limit_cycle(benchmark, unit) -> None:
    values = (1e-9 + number * 1e-15 for number in count())

    def cycle() -> float:
        part = Terminal(kind="capacitor", value=next(values), jig_inductance_h=60e-9, jig_resistance_ohm=0.05)
        return unit.oscillate(Conditions(supply_v=7.4, supply_limit_a=0.2, pins=IDLE, terminal=part)).frequency_hz

    assert benchmark(cycle) > 0


def test_known_operating_point(benchmark, unit) -> None:
    conditions = Conditions(supply_v=7.4, supply_limit_a=0.2, pins=IDLE)
    assert benchmark(unit.solve, conditions).converged


def test_new_unit(benchmark, unit) -> None:
    generator = random.Random(3)

    def build() -> BoardModel:
        return BoardModel(unit.netlist, draw_values(unit.netlist, lambda _name: generator.random()))

    assert benchmark(build).values
