"""What the simulated bench knows of the unit in its jig is that unit's own."""

import pytest

import hil.sim.scene
from hil.app.locate import load_bench, load_kit
from hil.app.simulated import simulated_bench


def test_a_unit_is_not_wired_like_the_one_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Even where Python gives the second unit the id of the first, which it does once that one is gone."""
    monkeypatch.setattr(hil.sim.scene, "id", lambda _: 7, raising=False)
    spec = load_bench("simulated")
    bench = simulated_bench(spec, load_kit(spec.kit, today="2026-11-01"), board="qm2", seed=0)
    for serial, faults, is_wired in (("QM2-1", ["J2.3=open"], False), ("QM2-2", [], True)):
        bench.insert(serial, faults=faults)
        bench.set_supply(7.4, 0.2)
        bench.wait(lambda: None, bench.clock.monotonic_s() + 1.0)
        assert all(bench.uart_is_wired()) is is_wired
        bench.set_supply(None, 0.1)
