"""What one unit costs the bench, in processor time: about what a full check asks, without judging and recording."""

from collections.abc import Iterator
from itertools import count
from time import process_time

import pytest

from hil.app.locate import load_bench, load_kit
from hil.app.open_bench import Bench, open_bench

POINTS = ("TP_PACK", "TP_5V", "TP_3V", "TP_DIV", "TP_AREF", "TP_RESET", "TP_COMP", "TP_INAVG", "TP_K1", "TP_K2")
PACKS_V = (6.0, 6.1, 6.4, 6.7, 7.4, 8.0, 8.4)


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    spec = load_bench("simulated")
    with open_bench(spec, load_kit(spec.kit, today="2026-11-02")) as opened:
        check(opened, "QM2-0000")
        yield opened


def check(bench: Bench, serial: str) -> float:
    """One unit from the jig to its last inductor; the last reading."""
    supply, voltmeter, selector, meter = bench.supply, bench.voltmeter, bench.selector, bench.meter
    assert supply is not None
    assert voltmeter is not None
    assert selector is not None
    bench.insert(serial)
    for point in POINTS:
        selector.probe(f"{point}:{point}")
        assert voltmeter.resistance_ohm() < 1.0
    for point in POINTS:
        selector.probe(point)
        assert voltmeter.resistance_ohm() > 1.0
    for pack_v in PACKS_V:
        supply.set(pack_v, 0.15)
        supply.on()
        meter.await_start(timeout_s=2.0)
        selector.probe("TP_5V")
        assert voltmeter.voltage_v() == pytest.approx(5.0, rel=0.02)
        assert supply.current_a() > 0.01
        assert float(meter.ask("MEAS:BATT?")) == pytest.approx(pack_v, rel=0.03)
        supply.off()
    supply.set(7.4, 0.15)
    supply.on()
    meter.expect_start()
    for point in POINTS:
        selector.probe(point)
        voltmeter.voltage_v()
    for relay in ("1", "2"):
        for state in ("ON", "OFF"):
            meter.tell(f"DIAG:REL{relay} {state}")
            assert int(meter.ask("MEAS:FREQ?")) >= 0
    selector.fit("open")
    assert meter.ask("CAL:ALL?") == "0"
    for function, kind, zero in (("CAP", "c_", "open"), ("IND", "l_", "short")):
        selector.fit(zero)
        meter.tell(f"SENS:FUNC {function}")
        meter.ask("CAL:ZERO?", timeout_s=3.0)
        for part in PARTS[kind]:
            selector.fit(part)
            reading = float(meter.ask("READ?"))
            assert reading > 0
    return reading


PARTS = {
    "c_": ("c_10p", "c_100p", "c_1n", "c_10n", "c_100n", "c_1u"),
    "l_": ("l_1u", "l_10u", "l_100u", "l_1m", "l_10m", "l_100m"),
}


@pytest.mark.benchmark(timer=process_time)
def test_unit(benchmark, bench) -> None:
    numbers = count(1)
    reading_h = benchmark.pedantic(lambda: check(bench, f"QM2-{next(numbers):04d}"), rounds=5)
    assert reading_h == pytest.approx(0.1, rel=0.05)
