"""Likelihoods, causes, next probe, learning and confirmed reworks, on boards small enough to reckon by hand."""

import dataclasses
import math

import numpy as np
import pytest

from hil.core import confirmed
from hil.core.causes import diagnose, group_shares, rank_of
from hil.core.diagnosis import (
    LINEAR,
    NOTHING,
    UNTRIED,
    VALUE,
    WRONG,
    Dictionary,
    Modes,
    believe,
    candidates,
    log_likelihood,
    observe,
    outcome,
    quick_log_likelihood,
    squashed,
)
from hil.core.fault_dictionary import Columns, LeftOut, Tries, alike_groups, best_sharpness, learn, left_out
from hil.core.next_probe import next_probe, predicted, raw

ROWS = ("a", "b", "ratio", "ok", "voltage X", "resistance Y")


def dictionary(**changes: object) -> Dictionary:
    """Three faults: one moves a, one moves b, one makes `ok` fail; probes tell the first two apart or repeat a."""
    modes, columns = 3, len(ROWS)
    shift = np.zeros((modes, columns))
    shift[0, 0], shift[1, 1], shift[0, 4], shift[1, 4] = 6.0, 6.0, 5.0, -5.0
    odds = np.tile([0.98, 0.01, 0.01], (modes, columns, 1))
    odds[2, 3] = [0.01, 0.98, 0.01]
    covariance = np.eye(columns)
    covariance[0, 1] = covariance[1, 0] = 0.9
    found = Dictionary(
        about={},
        rows=ROWS,
        readings=4,
        numeric=np.array([True, True, True, False, True, True]),
        logarithmic=np.array([False, False, False, False, False, True]),
        location=np.array([10.0, 20.0, 0.5, 0.0, 1.0, math.log(1000.0)]),
        scale=np.array([1.0, 2.0, 0.1, 1.0, 0.5, 0.01]),
        covariance=covariance,
        faults=("R1=open", "R2=open", "DISP1=dead"),
        weights=np.array([0.5, 0.25, 0.25]),
        groups=np.arange(3),
        modes=Modes(
            fault=np.arange(modes),
            share=np.ones(modes),
            shift=shift,
            kept=np.ones((modes, columns)),
            scatter=np.full((modes, columns), 0.1),
            odds=odds,
        ),
        model_error=0.1,
    )
    return dataclasses.replace(found, **changes)  # type: ignore[arg-type]


def seen(**values: float | bool | None) -> dict[str, tuple[float | bool | None, bool, bool]]:
    usual: dict[str, float | bool | None] = {"a": 10.0, "b": 20.0, "ratio": 0.5, "ok": True}
    return {name: (value, True, value is not False and value is not None) for name, value in (usual | values).items()}


@pytest.mark.parametrize(
    ("value", "tried", "passed", "kind"),
    [
        (1.5, True, False, VALUE),
        (None, True, False, NOTHING),
        (math.inf, True, False, NOTHING),
        ("C=OVER", True, False, WRONG),
        (True, True, True, VALUE),
        (False, True, True, VALUE),
        (None, False, False, UNTRIED),
    ],
)
def test_outcomes(value: float | None, tried: bool, passed: bool, kind: int) -> None:
    assert outcome(value, tried, passed)[0] == kind


def test_far_values_count_logarithmically() -> None:
    assert squashed(np.array([1.0]))[0] == pytest.approx(1.0, abs=0.001)
    assert squashed(np.array([1e6]))[0] == pytest.approx(LINEAR * math.log(2e6 / LINEAR), rel=1e-6)


def test_the_fault_that_explains_all_readings_comes_first() -> None:
    found = diagnose(dictionary(), seen(a=16.0))
    assert found.causes[0].faults == ("R1=open",)
    assert found.causes[0].probability > 0.95
    assert found.fits
    assert [one.row for one in found.causes[0].speaks_for] == ["a"]
    assert diagnose(dictionary(), seen(b=32.0)).causes[0].faults == ("R2=open",)
    assert diagnose(dictionary(), seen(ok=False)).causes[0].faults == ("DISP1=dead",)


def test_a_reading_that_passed_speaks_too() -> None:
    """a and b move together in good units: both up is a unit at its limits, not two faults at once."""
    both = believe(dictionary(none_weight=1e-9), observe(dictionary(), seen(a=13.0, b=26.0)))
    one = believe(dictionary(none_weight=1e-9), observe(dictionary(), seen(a=13.0)))
    assert one.fault[0] > both.fault[0]


def test_quick_look_is_exact_where_rows_are_independent() -> None:
    plain = dictionary(covariance=np.eye(len(ROWS)))
    read = observe(plain, seen(a=12.0, ratio=0.61))
    quick = quick_log_likelihood(plain, read)
    assert log_likelihood(plain, read, np.arange(3)) == pytest.approx(quick, abs=1e-9)
    numbers, likelihood = candidates(plain, read)
    assert numbers.tolist() == [0, 1, 2]
    assert likelihood == pytest.approx(quick, abs=1e-9)


def test_nothing_fits() -> None:
    found = diagnose(dictionary(), seen(a=10.0, b=20.0, ratio=1e4))
    assert not found.fits
    assert found.none > 0.9
    assert found.next_probe is None


def test_probabilities_add_up_and_follow_the_prior() -> None:
    known = dictionary()
    read = observe(known, seen())
    belief = believe(known, read)
    assert belief.fault.sum() + belief.none == pytest.approx(1.0)
    rare = believe(known, read, np.array([0.01, 0.98, 0.01]))
    assert rare.fault[1] > belief.fault[1]
    assert believe(known, read, np.array([0.0, 0.5, 0.5])).fault[0] == 0.0


def test_faults_that_look_alike_are_one_cause() -> None:
    alike = dictionary(groups=np.array([0, 1, 1]))
    found = diagnose(alike, seen(ok=False))
    assert found.causes[0].faults == ("DISP1=dead", "R2=open")
    assert found.causes[0].name == "DISP1=dead (or 1 alike)"
    assert found.causes[0].components == ("DISP1", "R2")
    belief = believe(alike, observe(alike, seen(ok=False)))
    assert rank_of(alike, belief, "R2=open") == 0
    assert group_shares(alike, belief.fault).sum() == pytest.approx(belief.fault.sum())


def test_the_next_probe_tells_the_likeliest_causes_apart() -> None:
    """Halfway between two faults: X reads 1 + 2.5 or 1 - 2.5 V under them, Y the same under all."""
    known = dictionary(covariance=np.eye(len(ROWS)), none_weight=1e-9)
    read = observe(known, seen(a=13.0, b=26.0))
    probe = next_probe(known, read, believe(known, read))
    assert probe is not None
    assert probe.name == "voltage X"
    by_fault = {one.fault: one for one in probe.expected}
    assert by_fault["R1=open"].value == pytest.approx(float(raw(known, 4, np.array(5.0))), abs=0.01)
    assert by_fault["R1=open"].lower > by_fault["R2=open"].upper
    assert 0 < probe.information_bit <= probe.entropy_bit
    again = {**seen(a=13.0, b=26.0), "voltage X": (by_fault["R1=open"].value, True, True)}
    after = diagnose(known, again)
    assert after.causes[0].faults == ("R1=open",)
    assert after.causes[0].probability > 0.95


def test_no_probe_where_none_would_tell() -> None:
    known = dictionary()
    read = observe(known, seen(a=16.0))
    assert next_probe(known, read, believe(known, read)) is None
    read = observe(known, seen(a=13.0, b=26.0))
    assert next_probe(known, read, believe(known, read), without=("voltage X", "resistance Y")) is None


def test_predictions_lean_on_what_was_read() -> None:
    """A row correlated 0.9 with one that is up by 2 is expected up by 1.8 / (1 + scatter² + model error²)."""
    known = dictionary()
    read = observe(known, {"a": (12.0, True, True)})
    mean, spread = predicted(known, read, np.array([2]), np.array([1]))
    assert mean[0, 0] == pytest.approx(0.9 / 1.02 * squashed(np.array(2.0)), rel=1e-6)
    assert spread[0, 0] == pytest.approx(math.sqrt(1.02 - 0.81 / 1.02), rel=1e-6)


# Learning


def tries(units: int = 3) -> tuple[Columns, Tries]:
    """Good units around 10 ± 1 and 5 ± 1. Fault 0 adds 8 to the first, 1 silences the second, 2 and 3 are alike."""
    chance = np.random.default_rng(5)
    good = np.column_stack([10 + chance.normal(size=60), 5 + chance.normal(size=60)])
    kind, value, fault, partner, fold = [], [], [], [], []
    for number in range(len(FAULTS)):
        for unit in range(units):
            partner.append(number * units + unit)
            noisy = good[partner[-1]] + 0.02 * chance.normal(size=2)
            kind.append([VALUE, NOTHING if number == 1 else VALUE])
            value.append(noisy + {0: (8.0, 0.0), 2: (0.0, -9.0), 3: (0.0, -9.0)}.get(number, (0.0, 0.0)))
            fault.append(number)
            fold.append(partner[-1] % 5)
    columns = Columns(
        names=("x", "y"),
        readings=2,
        numeric=np.array([True, True]),
        logarithmic=np.array([False, False]),
        floor=np.zeros(2),
    )
    made = Tries(
        fault=np.array([-1] * 60 + fault),
        partner=np.array([*range(60), *partner]),
        bench=np.array([*(np.arange(60) % 5), *(0 for _ in fault)]),
        fold=np.array([*(np.arange(60) % 5), *fold]),
        failed=np.array([False] * 60 + [True] * len(fault)),
        kind=np.concatenate([np.full((60, 2), VALUE), np.array(kind)]),
        value=np.concatenate([good, np.array(value)]),
    )
    return columns, made


FAULTS = tuple(f"R{number}=open" for number in range(12))


def test_what_a_fault_does_is_learned_free_of_the_units_tolerances() -> None:
    columns, made = tries()
    known = learn(columns, made, FAULTS, np.ones(12), {})
    shift = known.modes.shift
    assert shift[0, 0] * known.scale[0] == pytest.approx(8.0, rel=0.1)
    assert known.modes.kept[2, 1] > 0.5  # the value follows what the unit read without the fault
    assert shift[2, 1] * known.scale[1] == pytest.approx(-9.0, rel=0.15)
    assert shift[0, 1] == pytest.approx(0.0, abs=0.01)
    assert known.modes.odds[1, 1, NOTHING] > 0.9
    assert known.location == pytest.approx([10, 5], abs=0.4)
    assert known.scale == pytest.approx([1, 1], abs=0.3)


def test_units_left_out_tell_what_looks_alike_and_how_far_to_trust() -> None:
    columns, made = tries()
    found = list(left_out(columns, made, FAULTS, np.ones(12)))
    assert len(found) == 36
    groups = alike_groups(found, 12, 1.0)
    assert groups[:4].tolist() == [0, 1, 2, 2]
    assert len(set(groups[4:].tolist())) == 1
    overconfident = [
        LeftOut(fault=0, among=np.array([0, 1]), log_likelihood=np.array([0.0, 6.0 * (-1) ** n])) for n in range(8)
    ]
    assert best_sharpness(overconfident, np.ones(4), np.arange(4)) < 0.5
    right = [LeftOut(fault=0, among=np.array([0, 1]), log_likelihood=np.array([0.0, -3.0])) for _ in range(8)]
    assert best_sharpness(right, np.ones(4), np.arange(4)) == 1.0


def test_a_fault_that_looks_like_two_groups_does_not_join_them() -> None:
    """0 and 1 are alike, 3 and 4 too; of the units with 2 some look like the ones, some like the others."""

    def taken(fault: int, *others: int) -> LeftOut:
        likelihood = np.array([0.0 if one in (fault, *others) else -30.0 for one in range(5)])
        return LeftOut(fault=fault, among=np.arange(5), log_likelihood=likelihood)

    found = [taken(0, 1), taken(0, 1, 2), taken(1, 0), taken(1, 0, 2), taken(3, 4), taken(3, 4, 2), taken(4, 3)]
    groups = alike_groups([*found, taken(4, 3, 2), taken(2, 0, 1), taken(2, 0, 1, 3, 4), taken(2, 3, 4)], 5, 1.0)
    assert groups[0] == groups[1]
    assert groups[3] == groups[4]
    assert groups[0] != groups[3]


# Confirmed reworks


def test_a_confirmed_rework_moves_the_prior_a_little() -> None:
    faults, weights = ("R1=open", "R1=short", "R2=open"), np.array([0.3, 0.1, 0.6])
    rework = confirmed.Confirmed(
        components=("R1",), causes=((("R1=open", "R2=open"), 0.9), (("R1=short",), 0.1))
    )  # fmt: skip
    counted = confirmed.counts(faults, weights, [rework] * 10)
    assert counted == pytest.approx([9.0, 1.0, 0.0])
    after = confirmed.updated(weights, counted)
    assert after.sum() == pytest.approx(1.0)
    assert after[0] == pytest.approx((0.3 * 200 + 9) / 210)


def test_a_rework_that_no_cause_named_counts_by_weight_and_an_unknown_one_not_at_all() -> None:
    faults, weights = ("R1=open", "R1=short", "R2=open"), np.array([0.3, 0.1, 0.6])
    surprise = confirmed.Confirmed(components=("R1",), causes=((("R2=open",), 1.0),))
    assert confirmed.counts(faults, weights, [surprise]) == pytest.approx([0.75, 0.25, 0.0])
    assert confirmed.counts(faults, weights, [confirmed.Confirmed(components=("X9",), causes=())]).sum() == 0


def test_a_fault_that_explains_nothing_strange_is_none_of_these():
    """Faults that move nothing of it, a reading that is far off: what they win together is no fault's doing."""
    known = dictionary()
    idle = dataclasses.replace(
        known,
        faults=("R1=open", "R2=open", "C1=open"),
        modes=dataclasses.replace(
            known.modes, odds=np.tile([0.98, 0.01, 0.01], (3, len(ROWS), 1)), scatter=np.zeros((3, len(ROWS)))
        ),
    )
    off = believe(idle, observe(idle, seen(ratio=0.5 + 0.8)))  # eight deviations; no fault moves it
    assert off.fault.sum() < 1e-9
    assert off.none == pytest.approx(1.0)
    moved = believe(idle, observe(idle, seen(a=16.0)))  # what R1=open does
    assert moved.fault[0] > 0.5
    assert moved.fault[2] == 0.0
