"""Which measurand a row has: what bench, kit and reading say, put into a budget."""

from dataclasses import replace

import pytest

from hil.app.budgets import budgets_of, circumstances_of, reading_budget
from hil.app.locate import load_bench, load_kit, load_limits
from hil.app.unit_run import Taken
from hil.core.budget import Budget
from hil.core.limit import Limit
from hil.errors import UsageError

TODAY = "2026-11-25"
BENCH = load_bench("simulated")
HERE = circumstances_of(BENCH, TODAY)
KIT = load_kit("demo", today=TODAY)
LIMITS = {row.name: row for row in load_limits("qm2").rows}
EXACT = {  # whole numbers, stored constants, the clock of the bench
    "port_repeats", "start_time", "self_test", "timebase.reload", "calibration_c1", "calibration_l1", "ccal", "scale",
    "stored_ccal", "stored_scale", "stored_reload",
}  # fmt: skip
ALL = ("meter", "voltmeter", "counter", "thermometer", "generator", "supply")


def taken(name: str, *instruments: str, repeats: tuple[float, ...] = ()) -> Taken:
    limit = LIMITS[name]
    part = KIT[limit.part] if limit.part is not None else None
    if part is not None and part.present and limit.tolerance and limit.nominal is None:
        limit = limit.around(part.value)
    return Taken(
        limit=limit, value=limit.centre, part=part, repeats=repeats, instruments=instruments or ALL,
        temperature_degc=23.0,
    )  # fmt: skip


def rows(name: str, *instruments: str, repeats: tuple[float, ...] = ()) -> list[str]:
    found = reading_budget(taken(name, *instruments, repeats=repeats), HERE)
    assert found is not None
    return [row.name for row in found.rows]


@pytest.mark.parametrize("name", [name for name, row in LIMITS.items() if row.is_numeric])
def test_every_number_has_a_budget_or_is_exact(name: str) -> None:
    found = reading_budget(taken(name), HERE)
    assert (found is None) is (name in EXACT)
    if found is not None:
        assert found.unit == LIMITS[name].unit
        assert found.expanded_uncertainty > 0


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("rail_5v_low", ["voltmeter: accuracy"]),
        ("contact_gnd", ["voltmeter: accuracy"]),
        ("r_comp", ["voltmeter: accuracy", "jig: leads and needles"]),
        ("protection_drop", ["supply: accuracy", "voltmeter: accuracy"]),
        ("battery_at_6v0", ["voltmeter: accuracy", "meter: resolution"]),
        (
            "aref_ratio",
            ["voltmeter: common offset", "voltmeter, part: short-term", "voltmeter, whole: short-term"],
        ),
        ("timebase.as_found", ["generator: accuracy", "meter: resolution", "meter: drift of the timebase"]),
        # the same generator before and after: its error cancels
        (
            "timebase.unreached",
            ["meter: resolution, count 1", "meter: resolution, count 2", "meter: drift of the timebase"],
        ),
        # one fitting: part and jig are in both readings
        ("scale.as_left", ["meter: resolution", "meter: drift since zero", "meter: repeatability"]),
        # what is measured is the residual zero
        (
            "zero_c",
            ["jig: contact repeatability", "meter: resolution", "meter: drift since zero", "meter: repeatability"],
        ),
        # Ccal is nominal by definition
        (
            "c1",
            [
                "meter: timebase",
                "f1: noise",
                "f1: one count",
                "f2: noise",
                "f2: one count",
                "jig: capacitance at the terminals",
            ],
        ),
        (
            "f_counter",
            ["counter: accuracy", "meter: resolution", "meter: repeatability", "meter: drift between the gates"],
        ),
        ("f_warm_up", ["meter: resolution, count 1", "meter: resolution, count 2", "meter: repeatability"]),
        ("f_repeatability", ["standard deviation of few readings"]),
    ],
)
def test_measurands(name: str, expected: list[str]) -> None:
    assert rows(name) == expected


def test_who_measured_is_told_by_who_was_asked() -> None:
    assert rows("current_idle", "meter", "supply") == ["supply: accuracy"]


def test_a_count_needs_no_instrument() -> None:
    assert rows("f_open", "meter") == [
        "meter: resolution", "meter: timebase", "meter: repeatability", "jig: capacitance at the terminals",
    ]  # fmt: skip


def test_a_reading_at_a_part_has_all_its_rows() -> None:
    assert rows("l_1m") == [
        "part: certificate", "part: drift", "part: temperature", "part: frequency", "jig: residual zero",
        "jig: contact repeatability", "jig: capacitance across the inductor", "meter: resolution",
        "meter: drift since zero", "meter: repeatability",
    ]  # fmt: skip


def test_repeated_gates_bring_their_own_spread() -> None:
    assert rows("timebase.as_left", repeats=(1e-7, 2e-7, 1e-7, 3e-7))[-1] == "meter: repeatability"


def test_a_bench_without_stated_accuracy_gives_no_budget() -> None:
    bare = replace(BENCH, roles={name: replace(role, accuracy={}) for name, role in BENCH.roles.items()})
    budget_for = budgets_of(bare, TODAY)
    for name in ("rail_5v_low", "protection_drop", "aref_ratio", "timebase.as_found", "f_counter"):
        assert budget_for(taken(name)) is None
    assert isinstance(budget_for(taken("c_100p")), Budget)


def test_a_bench_that_says_nothing_of_jig_and_meter_is_refused() -> None:
    with pytest.raises(UsageError, match="uncertainty: is missing"):
        circumstances_of(replace(BENCH, uncertainty=None), TODAY)


def test_no_thermometer_leaves_more_to_the_temperature() -> None:
    roles = {name: role for name, role in BENCH.roles.items() if name != "thermometer"}
    without = circumstances_of(replace(BENCH, roles=roles), TODAY)
    assert (HERE.temperature_half_width_k, without.temperature_half_width_k) == (0.3, 2.0)


def test_a_row_of_ones_own_is_measured_by_whoever_measured() -> None:
    own = Limit(name="ripple_5v", unit="V", lower=-0.02, upper=0.02)
    found = reading_budget(Taken(limit=own, value=0.001, part=None, instruments=("supply", "voltmeter")), HERE)
    assert found is not None
    assert [row.name for row in found.rows] == ["voltmeter: accuracy"]
    assert reading_budget(Taken(limit=own, value=0.001, part=None, instruments=("operator",)), HERE) is None
