"""Readiness: what the check measures, what it refuses, and what a real bench must have before it checks units."""

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from hil.app.bench_check import measure
from hil.app.locate import load_bench, load_kit
from hil.app.open_bench import Bench, open_bench
from hil.app.readiness import check_bench, refuse_changed, refuse_unready
from hil.core.equipment import Kit
from hil.core.ledger import Readiness, ReadinessValue
from hil.errors import BenchError, InstrumentError
from hil.files.bench import BenchFile
from hil.store.sqlite_store import SqliteStore

NOW = "2026-11-25T10:00:00.000+00:00"


@cache
def spec() -> BenchFile:
    return load_bench("simulated")


@cache
def kit() -> Kit:
    return load_kit("demo", today="2026-11-25")


def check(
    store: SqliteStore, *faults: str, now: str = NOW, bench_file: BenchFile | None = None, kit_file: Kit | None = None
) -> Readiness:
    wanted, parts = bench_file or spec(), kit_file or kit()
    seen: list[ReadinessValue] = []
    bench = open_bench(wanted, parts)
    try:
        entry = check_bench(wanted, parts, bench, store, now=now, author="A. Example", seen=seen.append, faults=faults)
    finally:
        try:
            bench.close()
        except BenchError:
            assert faults
    assert tuple(seen) == entry.values
    return entry


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return SqliteStore(str(tmp_path / "records.sqlite"))


def by_name(entry: Readiness) -> dict[str, ReadinessValue]:
    return {one.name: one for one in entry.values}


def test_a_good_bench_is_ready_and_its_jig_is_known_absolutely(store: SqliteStore) -> None:
    entry = check(store)
    assert (entry.ready, entry.reason, entry.simulated) == (True, "", True)
    found = by_name(entry)
    # Terminals of the unit have some 2 pF, the jig 1.3 pF and 60 nH; two ways of measuring them would agree.
    assert found["jig_open"].value == pytest.approx(3.4e-12, abs=0.5e-12)
    assert found["jig_shorted"].value == pytest.approx(75e-9, abs=20e-9)
    assert abs(found["counter_against_generator"].value or math.nan) < 2e-6
    assert found["isolation_TP_5V"].reason == "over range"
    assert found["part_c_470p_check"].reason == "only 0 earlier checks to compare with"
    assert {role for role, _ in entry.identities} == {
        "supply", "voltmeter", "counter", "generator", "selector", "thermometer", "golden_unit",
    }  # fmt: skip
    assert store.entries(Readiness, subject="simulated") == (entry,)


def test_another_golden_unit_finds_the_same_jig(store: SqliteStore) -> None:
    first = by_name(check(store))
    other = replace(spec(), jig=replace(spec().jig, golden_unit="QM2-OTHER"))
    second = by_name(check(store, bench_file=other))
    for name, within in (("jig_open", 0.1e-12), ("jig_shorted", 5e-9)):
        assert second[name].value == pytest.approx(first[name].value, abs=within)
        assert second[name].reason == "only 0 earlier checks to compare with"  # its history is its own


@pytest.mark.parametrize(
    ("fault", "name"),
    [
        ("bench.counter.frequency=+20ppm", "counter_against_generator"),
        ("bench.generator.frequency=-20ppm", "counter_against_generator"),
        ("bench.contact.TP_3V=20ohm", "contact_TP_3V"),
        ("bench.thermometer.temperature=+8degC", "temperature"),
        ("bench.part.l_100u_check=+8%", "part_l_100u_check"),
    ],
)
def test_what_is_wrong_at_the_first_check(store: SqliteStore, fault: str, name: str) -> None:
    entry = check(store, fault)
    assert not entry.ready
    assert entry.reason.startswith(f"{name}: ")
    assert [one.name for one in entry.values if one.verdict == "fail"] == [name]


@pytest.mark.parametrize(
    ("fault", "name"),
    [("bench.part.c_470p_check=+0.3%", "part_c_470p_check"), ("bench.voltmeter.voltage=+10mV", "golden_5v")],
)
def test_history_tells_what_limits_cannot(store: SqliteStore, fault: str, name: str) -> None:
    assert all(check(store, now=f"2026-11-2{day}T08:00:00.000+00:00").ready for day in range(5, 8))
    entry = check(store, fault, now="2026-11-29T08:00:00.000+00:00")
    wrong = by_name(entry)[name]
    assert wrong.verdict == "fail"
    assert "is not what it was in 3 checks" in wrong.reason
    assert entry.reason == f"{name}: {wrong.reason}"
    assert check(store, now="2026-11-30T08:00:00.000+00:00").ready  # what failed is no part of the history


def test_trouble_is_recorded_as_not_ready_with_what_was_measured(store: SqliteStore) -> None:
    entry = check(store, "bench.counter=silent@3")
    assert not entry.ready
    assert entry.reason.startswith("counter at SIM0::counter::INSTR: does not answer")
    assert "contact_GND" in by_name(entry)
    dead = check(store, "Y1=open", now="2026-11-25T11:00:00.000+00:00")
    assert dead.reason.startswith("the meter does not answer '*IDN?'")


def test_without_a_golden_unit_the_jig_is_not_measured_and_the_bench_not_ready(store: SqliteStore) -> None:
    entry = check(store, bench_file=replace(spec(), jig=replace(spec().jig, golden_unit="")))
    assert not entry.ready
    assert entry.reason == (
        "golden_unit: fixtures/benches/simulated.toml: jig.golden_unit is missing. Name a good unit that stays here."
    )
    assert "temperature" in by_name(entry)


def test_a_role_that_the_bench_does_not_have_is_left_out_and_no_reason_to_refuse(store: SqliteStore) -> None:
    roles = {name: role for name, role in spec().roles.items() if name not in ("counter", "thermometer")}
    entry = check(store, bench_file=replace(spec(), roles=roles))
    assert entry.ready
    assert by_name(entry)["temperature"].reason == "the bench has no thermometer"
    assert by_name(entry)["counter_against_generator"].verdict == "not_measured"


def test_a_unit_left_in_the_jig_does_not_count_as_an_empty_jig() -> None:
    class Refusing:
        """Everything the operator does, but no to the question."""

        def __init__(self, bench: Bench) -> None:
            self._operator = bench.operator

        def __getattr__(self, name: str) -> Callable[..., object]:
            return getattr(self._operator, name)  # type: ignore[no-any-return]

        def confirm(self, question: str) -> bool:
            return False

    with open_bench(spec(), kit()) as bench:
        stubborn = replace(bench, operator=Refusing(bench))  # type: ignore[arg-type]
        with pytest.raises(BenchError, match="The jig is not empty"):
            measure(spec(), kit(), stubborn, earlier={}, attempt=1, seen=lambda value: None, values=[])


# What a real bench must have


def entry(time: str, *, ready: bool = True, identities: tuple[tuple[str, str], ...] = ()) -> Readiness:
    return Readiness(
        uid=time, time=time, bench="simulated", ready=ready, simulated=False, identities=identities,
        reason="" if ready else "contact_GND: 20 ohm is outside 0 ohm … 1 ohm.",
    )  # fmt: skip


def test_a_recent_good_check_is_enough_and_the_latest_counts(store: SqliteStore) -> None:
    store.add(entry("2026-11-24T12:00:00+00:00", ready=False))
    store.add(entry("2026-11-24T13:00:00+00:00"))
    assert refuse_unready(spec(), store, now=NOW).time == "2026-11-24T13:00:00+00:00"


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ([], "bench 'simulated': was never checked for readiness. "),
        ([entry("2026-11-24T09:30:00+00:00")],
         "bench 'simulated': its readiness check is 24.5 h old, 24 h are allowed "
         "(readiness_hours in fixtures/benches/simulated.toml). "),
        ([entry("2026-11-25T08:00:00+00:00"), entry("2026-11-25T09:00:00+00:00", ready=False)],
         "bench 'simulated': was not ready at 2026-11-25T09:00: contact_GND: 20 ohm is outside 0 ohm … 1 ohm. "),
    ],
)  # fmt: skip
def test_none_too_old_or_not_ready_is_refused(store: SqliteStore, given: list[Readiness], words: str) -> None:
    for one in given:
        store.add(one)
    with pytest.raises(BenchError) as caught:
        refuse_unready(spec(), store, now=NOW)
    assert str(caught.value) == words + "Run 'hil bench --bench fixtures/benches/simulated.toml' first."


def test_an_instrument_replaced_since_is_refused() -> None:
    with open_bench(spec(), kit()) as bench:
        known = tuple((one.role, one.identity) for one in bench.identities)
        refuse_changed(entry(NOW, identities=known), bench)
        changed = tuple((role, "Old,DMM,1,1" if role == "voltmeter" else words) for role, words in known)
        with pytest.raises(InstrumentError, match=r"but 'Old,DMM,1,1' at the readiness check. Run 'hil bench'"):
            refuse_changed(entry(NOW, identities=changed), bench)
