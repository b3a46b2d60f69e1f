"""Jig and reference parts."""

import math
import statistics

import pytest

from hil.core.equipment import Certificate, Part
from hil.sim.jig import Jig
from hil.sim.setup import BenchSetup
from hil.sim.streams import Streams


def part(name: str, kind: str, value: float, u: float, **more: float) -> Part:
    return Part(name=name, kind=kind, present=Certificate(value=value, expanded_uncertainty=2 * u), **more)


PARTS = {
    "c_100p": part("c_100p", "capacitor", 100e-12, 0.05e-12, temperature_coefficient_per_k=30e-6),
    "c_1n": part("c_1n", "capacitor", 1e-9, 0.5e-12),
    "l_1m": part("l_1m", "inductor", 1e-3, 1e-6, self_resonance_hz=1.5e6, frequency_hz=1e4, series_resistance_ohm=2.0),
}


def jig(seed: int = 1) -> Jig:
    return Jig(BenchSetup(parts=PARTS), Streams(seed, "bench"))


def test_true_values_are_drawn_from_the_certificate() -> None:
    deviations = [(jig(seed).true_value(PARTS["c_100p"], 23.0) - 100e-12) / 0.05e-12 for seed in range(400)]
    assert abs(statistics.fmean(deviations)) < 0.15
    assert statistics.stdev(deviations) == pytest.approx(1.0, abs=0.1)
    assert max(map(abs, deviations)) <= 3
    assert jig(5).true_value(PARTS["c_1n"], 23.0) == jig(5).true_value(PARTS["c_1n"], 23.0)


def test_temperature() -> None:
    cold, warm = (jig().true_value(PARTS["c_100p"], degc) for degc in (23.0, 33.0))
    assert warm / cold - 1 == pytest.approx(300e-6, rel=1e-3)


def test_terminals() -> None:
    bench = jig()
    assert bench.terminal((), 23).kind == bench.terminal(("open",), 23).kind == "open"
    assert bench.terminal(("c_100p", "short"), 23).kind == "short"
    both = bench.terminal(("c_100p", "c_1n"), 23)
    assert both.value == pytest.approx(1.1e-9, rel=1e-3)
    coil = bench.terminal(("l_1m",), 23)
    assert (coil.kind, coil.series_resistance_ohm) == ("inductor", 2.0)
    assert 1 / (2 * math.pi * math.sqrt(coil.value * coil.parallel_capacitance_f)) == pytest.approx(1.5e6, rel=1e-6)


def test_parasitics_stay_within_what_the_jig_may_have() -> None:
    for seed in range(50):
        terminal = jig(seed).terminal(("open",), 23)
        assert 0.5e-12 < terminal.jig_capacitance_f < 2e-12
        assert 20e-9 < terminal.jig_inductance_h < 100e-9
        assert 0.01 < jig(seed).contact_ohm("TP_5V") < 0.1
