"""Risks of a limits file: predicted and counted, and said when they differ."""

from dataclasses import replace

import pytest

from hil.app import risk as room
from hil.app.expected import Expected
from hil.app.risk import risks_of
from hil.core.budget import budget
from hil.core.inputs import normal, rectangular
from hil.core.limit import Limit, Rule
from hil.errors import UsageError
from hil.files.process import ASSUMED, parse_process

UNITS = 40_000
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
    assert found.left_out == (("one_sided", "no process is known for a limit like this"),)
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
