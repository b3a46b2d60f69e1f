"""A change of limits in plain words."""

from dataclasses import replace

import pytest

from hil.core.limit import Limit, Limits, Rule, Tolerance
from hil.core.limits_diff import Effect, difference

RAIL = Limit(name="rail", title="5 V rail", unit="V", lower=4.9, upper=5.1, reason="specification", at={"pack": 7.4})
PART = Limit(name="c", unit="F", part="c_100p", tolerance=Tolerance(relative=0.01, absolute=0.3e-12), reason="r")
TEXT = Limit(name="t", expected="1.2", reason="r")
LIMITS = Limits(
    board="qm2", revision="A", attempts=3, scopes={"full": "all"}, rows=(RAIL, PART, TEXT), sha256="0", file="x.toml"
)


def words(new):
    return [str(change) for change in difference(LIMITS, new)]


def with_row(old, **changes):
    rows = tuple(replace(row, **changes) if row is old else row for row in LIMITS.rows)
    return replace(LIMITS, rows=rows)


def test_nothing_changed():
    assert words(replace(LIMITS, sha256="1", file="y.toml")) == []


@pytest.mark.parametrize(
    ("row", "changes", "said"),
    [
        (RAIL, {"upper": 5.05}, ["rail: upper limit 5.05000 V instead of 5.10000 V, narrower by 50.0 mV (stricter)"]),
        (RAIL, {"lower": 4.8}, ["rail: lower limit 4.80000 V instead of 4.90000 V, wider by 100 mV (looser)"]),
        (RAIL, {"lower": None}, ["rail: lower limit none instead of 4.90000 V (looser)"]),
        (
            RAIL,
            {"lower": None, "upper": None, "expected": True},
            ["rail: yes instead of 4.90000 V to 5.10000 V (different)"],
        ),
        (RAIL, {"unit": "A"}, ["rail: is in A instead of V (different)"]),
        (RAIL, {"at": {"pack": 6.0}}, ["rail: measured at pack = 6 instead of pack = 7.4 (different)"]),
        (RAIL, {"scopes": ("boxed",)}, [
            "rail: now also in scope boxed (stricter)", "rail: no longer in scope full (looser)"
        ]),
        (RAIL, {"rule": Rule(kind="guard_band")}, ["rail: rule guard_band with r = 1 instead of simple (stricter)"]),
        (RAIL, {"reason": "measured"}, ["rail: reason 'measured' instead of 'specification'"]),
        (RAIL, {"title": "rail"}, ["rail: title 'rail' instead of '5 V rail'"]),
        (RAIL, {"margin": "1 %"}, ["rail: margin for firmware 1 % instead of none"]),
        (
            PART,
            {"tolerance": Tolerance(relative=0.02, absolute=0.3e-12)},
            ["c: tolerance ±(2 % + 300 fF) instead of ±(1 % + 300 fF) (looser)"],
        ),
        (
            PART,
            {"tolerance": Tolerance(relative=0.02, absolute=0.1e-12)},
            ["c: tolerance ±(2 % + 100 fF) instead of ±(1 % + 300 fF) (different)"],
        ),
        (PART, {"part": "c_220p"}, ["c: measured with c_220p instead of c_100p (different)"]),
        (TEXT, {"expected": "1.3"}, ["t: '1.3' instead of '1.2' (different)"]),
    ],
)  # fmt: skip
def test_one_row(row, changes, said):
    assert words(with_row(row, **changes)) == said


def test_rows_come_and_go():
    new = replace(LIMITS, rows=(RAIL, PART, Limit(name="n", unit="A", upper=0.085, reason="r")))
    assert words(new) == ["n: new: at most 85.0000 mA (stricter)", "t: taken away; it was '1.2' (looser)"]


def test_the_file_as_a_whole():
    new = replace(LIMITS, revision="B", attempts=2, scopes={"full": "everything", "boxed": "closed case"})
    assert words(new) == [
        "revision A is now B",
        "attempts: 2 instead of 3 (stricter)",
        "scope 'full' is now described as: everything",
        "new scope 'boxed': closed case",
    ]


@pytest.mark.parametrize(
    ("old", "new", "effect"),
    [
        (Rule(kind="guard_band", r=1.0), Rule(kind="guard_band", r=0.83), Effect.LOOSER),
        (Rule(kind="guard_band", r=0.83), Rule(kind="guard_band", r=1.0), Effect.STRICTER),
        (Rule(kind="guard_band"), Rule(), Effect.LOOSER),
        (Rule(kind="guard_band"), Rule(kind="guard_band", binary=False, repeats=4), Effect.DIFFERENT),
        (Rule(kind="guard_band"), Rule(kind="specific_risk", max_risk=0.02), Effect.DIFFERENT),
    ],
)
def test_rules(old, new, effect):
    before = replace(LIMITS, rows=(replace(RAIL, rule=old),))
    after = replace(LIMITS, rows=(replace(RAIL, rule=new),))
    (change,) = difference(before, after)
    assert change.effect is effect
