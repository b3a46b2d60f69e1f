"""Learning: which units are tried on which bench, and probes of the model against probes through the bench."""

import math

import pytest

from hil.app.learn_faults import BENCHES, GOOD_UNITS, bench_of, board_of, learning_trials
from hil.app.locate import load_bench, load_kit
from hil.app.open_bench import open_bench
from hil.app.power import Power
from hil.app.probe_model import points_of, probe_names, probe_values, unit_of, weak_points
from hil.core.coverage import GOOD
from hil.core.diagnosis import OVER_RANGE_OHM
from hil.sim.unit import build_unit

TODAY = "2026-11-25"
_, NETLIST, POSSIBLE = board_of("qm2")


def test_every_unit_with_a_fault_is_tried_without_it_on_the_same_bench() -> None:
    trials = learning_trials(POSSIBLE, NETLIST, units=2)
    good = {one.serial for one in trials if one.fault == GOOD}
    assert len(good) == GOOD_UNITS
    assert len(trials) == GOOD_UNITS + 2 * len(POSSIBLE)
    assert {one.serial for one in trials} <= good
    assert {bench_of(serial) for serial in good} == set(range(BENCHES))
    assert learning_trials(POSSIBLE, NETLIST, units=3)[: len(trials)] == trials  # more units change none


def test_two_units_of_a_fault_come_from_two_benches() -> None:
    by_fault: dict[str, set[int]] = {}
    for one in learning_trials(POSSIBLE, NETLIST, units=2):
        if one.fault:
            by_fault.setdefault(one.fault, set()).add(bench_of(one.serial))
    assert all(len(benches) == 2 for benches in by_fault.values())


@pytest.mark.parametrize("fault", ["C14=open", "R5=+20%"])
def test_probes_of_the_model_are_those_of_the_bench(fault: str) -> None:
    """Voltmeter and needles add a few millivolts and tenths of an ohm, the jig a picofarad to the tank."""
    serial = "QM2-60001"
    expected = probe_values(build_unit(NETLIST, serial, [fault]).model, weak_points(NETLIST))
    assert tuple(expected) == probe_names(NETLIST)
    spec = load_bench("simulated")
    with open_bench(spec, load_kit(spec.kit, today=TODAY), board="qm2", seed=0) as bench:
        bench.insert(serial, faults=[fault])
        assert bench.voltmeter is not None
        assert bench.counter is not None
        power = Power(bench)
        for name in ("resistance R5", "resistance C14", "resistance R14", "voltage TP_INAVG", "voltage U3.2",
                     "voltage INP", "voltage U3.16", "frequency TP_COMP"):  # fmt: skip
            if name.startswith("resistance"):
                bench.operator.probe(points_of(name))
                read = min(bench.voltmeter.resistance_ohm(), OVER_RANGE_OHM)
                assert math.isclose(read, expected[name], rel_tol=2e-3, abs_tol=0.6), name
                continue
            power.on()
            bench.operator.probe(points_of(name))
            if unit_of(name) == "Hz":
                assert math.isclose(bench.counter.frequency_hz(), expected[name], rel_tol=3e-3), name
            else:
                assert math.isclose(bench.voltmeter.voltage_v(), expected[name], abs_tol=5e-3), name
