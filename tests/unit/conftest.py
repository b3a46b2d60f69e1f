"""Runs to record."""

from collections.abc import Callable

import pytest

from hil.core.records import (
    BudgetRow,
    InstrumentUsed,
    PartUsed,
    Reading,
    RunClosed,
    RunOpened,
    UnitVerdict,
    Verdict,
)
from hil.store.sqlite_store import SqliteStore

OPENED = RunOpened(
    run="R1", serial="QM2-00001", board="qm2", attempt=1, attempts_allowed=3, retest_reason="", scope="full", only="",
    planned=("a", "b"), outside_scope=("z",), limits_file="limits/qm2.toml", limits_revision="A", limits_sha256="00",
    kit_file="fixtures/kits/demo.toml", bench="simulated", bench_file="fixtures/benches/simulated.toml",
    operator="A. Lindqvist", lot="L1", simulated=True, seed=1, faults=("R5=open",),
    opened="2026-11-25T10:00:00.000+01:00", suite_version="0.1.0",
    instruments=(
        InstrumentUsed(role="supply", address="SIM0::supply::INSTR", identity="maker,PS,17,1", certificate="QI-E-1"),
        InstrumentUsed(role="counter", address="SIM0::counter::INSTR", identity="maker,CT,4,1", certificate="QI-E-2"),
    ),
    parts=(
        PartUsed(name="c_1p", value=1e-12, unit="F", expanded_uncertainty=1e-14, certificate="QI-K-1"),
        PartUsed(name="c_1n", value=1e-9, unit="F", expanded_uncertainty=1e-12, certificate="QI-K-2"),
    ),
    settings=(("bench", "simulated", "default"),), planned_seconds=12.5,
)  # fmt: skip
READING = Reading(
    name="a", value=1.5, unit="V", verdict=Verdict.PASS, title="A", check="test_a.py::test_a", group="a", lower=1.0,
    upper=2.0, accept_lower=1.1, accept_upper=1.9, nominal=1.4, expanded_uncertainty=0.1, coverage_factor=2.0,
    effective_dof=31.5, rule="guard_band", raw=("+1.5E0",), instruments=("supply",), parts=("c_1p",), simulated=True,
    time="2026-11-25T10:00:01.000+01:00", seconds=0.25, notes=("a note with µ and Ω",),
    budget=(
        BudgetRow(
            name="resolution", standard_uncertainty=0.01, unit="V", sensitivity=1.0, contribution=0.01, kind="B",
            distribution="rectangular", dof=None,
        ),
    ),
)  # fmt: skip
CLOSED = RunClosed(
    run="R1", verdict=UnitVerdict.PASS, reason="", closed="2026-11-25T10:01:00.000+01:00", planned=2, judged=2,
    facts=(("firmware", "1.0"),), files=("report.html",), actual_seconds=12.7,
)  # fmt: skip


@pytest.fixture
def opened() -> RunOpened:
    return OPENED


@pytest.fixture
def reading() -> Reading:
    return READING


@pytest.fixture
def closed() -> RunClosed:
    return CLOSED


@pytest.fixture
def store(tmp_path):
    with SqliteStore(str(tmp_path / "records.sqlite")) as store:
        yield store


@pytest.fixture
def record(store) -> Callable[..., None]:
    """Record a whole run: record("R2", verdicts="pass fail", unit="FAIL", serial=…)."""
    from dataclasses import replace

    def record(run: str, verdicts: str = "pass pass", unit: str | None = "PASS", **changes: object) -> None:
        store.open_run(replace(OPENED, run=run, **changes))
        for name, verdict in zip("abcdef", verdicts.split(), strict=False):
            value = {"pass": 1.5, "fail": 2.5, "undecided": 1.95, "not_measured": None}[verdict]
            reason = "" if verdict == "pass" else "why"
            store.append(run, replace(READING, name=name, verdict=Verdict(verdict), value=value, reason=reason))
        if unit is not None:
            store.close_run(replace(CLOSED, run=run, verdict=UnitVerdict(unit)))

    return record
