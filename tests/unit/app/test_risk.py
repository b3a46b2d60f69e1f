"""Risks of a limits file: predicted and counted, and said when they differ."""

import math
from dataclasses import replace

import pytest

from hil.app import risk as room
from hil.app.expected import Expected, expected_rows
from hil.app.locate import load_bench, load_kit
from hil.app.risk import modelled, risks_of, shared_errors
from hil.core.budget import budget
from hil.core.inputs import normal, rectangular
from hil.core.limit import Limit, Rule, Tolerance
from hil.core.plan import PlannedRow
from hil.errors import FileError, UsageError
from hil.files.process import ASSUMED, parse_process

UNITS = 40_000
TODAY = "2026-11-25"
KIT = load_kit("demo", today=TODAY)
SHARED = 'format = 1\nboard = "b"\n[check."c_*"]\nsd = "1"\n[shared.Ccal]\n"c_*" = "0.6"\n'


def row(name: str, rule: Rule = Rule(), u_a: float = 0.1) -> Expected:  # noqa: B008
    inputs = [normal("noise", 0.0, u_a, kind="A"), rectangular("voltmeter: accuracy", 0.0, 0.2, unit="V")]
    found = budget(lambda a, b: a + b, inputs)
    limit = Limit(name=name, lower=-2.0, upper=2.0, nominal=0.0, rule=rule)
    return Expected(limit=limit, budget=found, averaged=found.averaged(rule.repeats) if rule.repeats > 1 else None)


ROWS = (
    row("c_simple"),
    row("c_guarded", Rule(kind="guard_band")),
    row("c_repeated", Rule(kind="guard_band", binary=False, repeats=4), u_a=0.3),
    Expected(limit=Limit(name="one_sided", upper=1.0), budget=None),
)


def test_what_is_predicted_is_what_is_counted() -> None:
    found = risks_of(ROWS, parse_process("p.toml", SHARED), units=UNITS, seed=3)
    assert [entry.name for entry in found.checks] == ["c_simple", "c_guarded", "c_repeated"]
    assert found.left_out == (("one_sided", "one limit only, and no process is given"),)
    assert found.agrees
    assert (found.units, found.process, found.confidence) == (UNITS, "p.toml", 0.99)
    simple, guarded, _ = found.checks
    assert guarded.predicted.false_acceptance < simple.predicted.false_acceptance / 5
    assert guarded.predicted.false_rejection > simple.predicted.false_rejection
    assert found.whole.predicted.accepted == pytest.approx(found.whole.counted.accepted / UNITS, abs=0.01)
    assert simple.counted.false_acceptance > 100  # not because nothing happens


def test_half_of_u_in_one_limit_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """The population scatters as the first budget says; the prediction believes in half of it."""
    process = parse_process("p.toml", SHARED)
    halved = row("c_simple", u_a=0.05)
    predict = room.predict

    def half(check):
        if check.limit.name != "c_simple":
            return predict(check)
        shared = {name: part / 2 for name, part in check.shared_errors.items()}
        return predict(replace(check, budget=budget(
            lambda a, b: a + b, [normal("noise", 0.0, 0.05, kind="A"), rectangular("accuracy", 0.0, 0.1)]
        ), shared_errors=shared))  # fmt: skip

    monkeypatch.setattr(room, "predict", half)
    found = risks_of((halved, *ROWS[1:]), process, units=UNITS, seed=3)
    assert not found.agrees
    assert [entry.name for entry in found.checks if not entry.agrees] == ["c_simple"]


def test_the_same_seed_counts_the_same() -> None:
    first, again, other = (risks_of(ROWS, ASSUMED, units=2000, seed=seed).whole.counted for seed in (1, 1, 2))
    assert first == again != other


def test_nothing_to_look_at() -> None:
    with pytest.raises(UsageError) as caught:
        risks_of(ROWS[3:], ASSUMED, units=10, seed=0)
    assert str(caught.value) == "no numeric row with two limits, or with a process of its own, is left to look at."


# The joint model


def expected(*limits: Limit) -> tuple[Expected, ...]:
    plan = [
        PlannedRow(name=limit.name, check="c", group="g", needs=("meter",), power="on", after=(), seconds=1.0)
        for limit in limits
    ]
    return expected_rows(limits, load_bench("simulated"), KIT, plan, TODAY)


def at_parts(*names: str) -> tuple[Expected, ...]:
    tolerance, limits = Tolerance(relative=0.01), []
    for name in names:
        limit = Limit(name=name, unit=KIT[name].unit, part=name, tolerance=tolerance)
        limits.append(limit.around(KIT[name].value))
    return expected(*limits)


def test_errors_of_one_unit_are_shared_by_part_and_instrument() -> None:
    capacitor, coil = at_parts("c_100p", "l_100u")
    of_c, of_l = shared_errors(capacitor), shared_errors(coil)
    assert set(of_c) == {"part c_100p", "jig: residual zero, F"}
    assert set(of_l) == {"part l_100u", "jig: residual zero, H"}
    assert of_c["part c_100p"] < 0 < of_c["jig: residual zero, F"]  # a reference too large makes the error smaller
    assert capacitor.budget is not None
    type_b = math.sqrt(capacitor.budget.standard_uncertainty**2 - capacitor.budget.type_a_uncertainty**2)
    assert math.hypot(*of_c.values()) <= type_b * (1 + 1e-12)
    assert shared_errors(Expected(limit=Limit(name="x", upper=1.0), budget=None)) == {}


def test_one_timebase_is_in_everything_that_rests_on_it() -> None:
    """f1 reads high when the timebase is slow, L1 twice as much low."""
    f1 = Limit(name="f_open", unit="Hz", lower=552e3, upper=666e3)
    l1 = Limit(name="l1", unit="H", nominal=100e-6, lower=88e-6, upper=112e-6)
    of_f1, of_l1 = map(shared_errors, expected(f1, l1))
    assert of_f1["meter: timebase"] / 609e3 == pytest.approx(20e-6 / math.sqrt(3), rel=1e-3)
    assert of_l1["meter: timebase"] / 100e-6 == pytest.approx(-40e-6 / math.sqrt(3), rel=0.02)


def test_what_the_jig_adds_lowers_f1_and_raises_c1() -> None:
    f1 = Limit(name="f_open", unit="Hz", lower=552e3, upper=666e3)
    c1 = Limit(name="c1", unit="F", lower=646e-12, upper=745e-12)
    of_f1, of_c1 = map(shared_errors, expected(f1, c1))
    assert of_f1["jig: capacitance at the terminals"] < 0 < of_c1["jig: capacitance at the terminals"]


def test_rows_without_a_process_are_named() -> None:
    one_sided = Expected(limit=Limit(name="x", upper=1.0), budget=None)
    checks, left_out = modelled([one_sided, *at_parts("c_100p")], ASSUMED)
    assert [check.limit.name for check in checks] == ["c_100p"]
    assert left_out == (("x", "one limit only, and no process is given"),)


def test_a_process_that_shares_more_than_there_is_is_refused_with_its_line() -> None:
    text = 'format = 1\nboard = "b"\n[check.c_100p]\nsd = "0.1 %"\n[shared.Ccal]\n"c_*" = "0.2 %"\n'
    with pytest.raises(FileError) as caught:
        modelled(at_parts("c_100p"), parse_process("p.toml", text))
    assert str(caught.value).startswith("p.toml:6: shared.Ccal: c_100p: the shared process are 2.01e-13 F, more than")
