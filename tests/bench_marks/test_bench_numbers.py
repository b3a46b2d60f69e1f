"""How long budgets, Monte Carlo and risks take.

Wanted: all budgets of one unit within 60 ms once warm; a million draws of the capacitance chain in no more than 1.3
times the plain numpy expression; 200 000 units of 40 checks within 20 s and 1.5 GB (the peak is in the extra info).
"""

import resource
from dataclasses import replace

import numpy as np
import pytest

from hil.app.budgets import circumstances_of, reading_budget
from hil.app.locate import load_bench, load_kit, load_limits
from hil.app.unit_run import Taken
from hil.core.budget import budget
from hil.core.inputs import normal, rectangular, triangular
from hil.core.limit import Limit, Rule
from hil.core.montecarlo import draw
from hil.core.population import Check, compare, predict, predict_unit, simulate
from hil.core.risk import Process

DRAWS = 1_000_000
UNITS, CHECKS = 200_000, 40
TODAY = "2026-11-25"


def taken(measured: float = 1.0) -> list[Taken]:
    """Readings of the full scope, each a little off the centre of its limit, so that nothing is found in a cache."""
    kit = load_kit("demo", today=TODAY)
    found = []
    for row in load_limits("qm2").rows:
        if not row.is_numeric or "full" not in row.scopes:
            continue
        part = kit[row.part] if row.part is not None else None
        limit = row.around(part.value) if part and part.present and row.tolerance and row.nominal is None else row
        instruments = ("meter", "voltmeter", "counter", "thermometer", "generator", "supply")
        value = limit.centre * measured
        found.append(Taken(limit=limit, value=value, part=part, instruments=instruments, temperature_degc=23.4))
    return found


def test_all_budgets_of_one_unit(benchmark: pytest.FixtureRequest) -> None:
    circumstances = circumstances_of(load_bench("simulated"), TODAY)
    rounds = iter(range(1, 10_000))

    def fresh() -> tuple[tuple[list[Taken]], dict[str, object]]:
        return (taken(1 + 1e-6 * next(rounds)),), {}

    def all_of_them(readings: list[Taken]) -> int:
        return sum(reading_budget(one, circumstances) is not None for one in readings)

    all_of_them(taken())  # warm
    count = benchmark.pedantic(all_of_them, setup=fresh, rounds=20)
    assert count > 70
    benchmark.extra_info["budgets"] = count


# The capacitance chain: Cx = Ccal·f2²/(f1² − f2²)·(f1²/f3² − 1), zero and jig taken off.
F1, F2, F3, CCAL = 605e3, 367e3, 564e3, 1200e-12
CHAIN = (
    normal("f1", F1, 1.2), normal("f2", F2, 0.8), normal("f3", F3, 1.2), normal("Ccal", CCAL, 0.25e-12),
    rectangular("zero", 0.0, 0.02e-12), triangular("resolution", 0.0, 0.002e-12),
)  # fmt: skip


def chain(f1, f2, f3, ccal, zero, resolution):
    return ccal * f2**2 / (f1**2 - f2**2) * (f1**2 / f3**2 - 1) - zero + resolution


def test_a_million_draws(benchmark: pytest.FixtureRequest) -> None:
    drawn = benchmark(draw, chain, CHAIN, draws=DRAWS, seed=1)
    assert len(drawn) == DRAWS


def test_a_million_draws_in_plain_numpy(benchmark: pytest.FixtureRequest) -> None:
    """What the former is compared with: the same expression, everything drawn at once."""

    def plain() -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
        rng = np.random.default_rng(1)
        f1, f2, f3 = rng.normal(F1, 1.2, DRAWS), rng.normal(F2, 0.8, DRAWS), rng.normal(F3, 1.2, DRAWS)
        ccal = rng.normal(CCAL, 0.25e-12, DRAWS)
        zero, resolution = rng.uniform(-0.02e-12, 0.02e-12, DRAWS), rng.triangular(-0.002e-12, 0, 0.002e-12, DRAWS)
        return chain(f1, f2, f3, ccal, zero, resolution)

    assert len(benchmark(plain)) == DRAWS


def check(number: int) -> Check:
    rule = Rule(kind="guard_band", binary=False, repeats=4) if number % 4 == 0 else Rule(kind="guard_band", r=0.83)
    found = budget(lambda a, b: a + b, [normal("noise", 0.0, 0.05, kind="A"), rectangular("accuracy", 0.0, 0.2)])
    limit = Limit(name=f"c_{number}", lower=-1.0, upper=1.0, rule=rule)
    return Check(
        limit=limit, process=Process(mean=0.05, sd=0.4), budget=found, shared_process={"Ccal": 0.2},
        averaged=replace(found).averaged(4) if rule.repeats > 1 else None, shared_errors={"reference": 0.05},
    )  # fmt: skip


def test_risks_of_forty_checks(benchmark: pytest.FixtureRequest) -> None:
    checks = [check(number) for number in range(CHECKS)]

    def risks() -> bool:
        predicted = {one.limit.name: predict(one) for one in checks} | {"": predict_unit(checks)}
        each, whole = simulate(checks, UNITS, seed=1)
        counted = {one.limit.name: count for one, count in zip(checks, each, strict=True)} | {"": whole}
        return all(entry.agrees for entry in compare(predicted, counted))

    assert benchmark.pedantic(risks, rounds=1)
    benchmark.extra_info["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
