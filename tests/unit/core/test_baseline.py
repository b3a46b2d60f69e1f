"""Sets of readings: margins, gathering, keeping, refusing, comparing."""

from dataclasses import replace

import pytest

from hil.core.baseline import Firmware, RunSet, Series, compare_sets, gather, margin_of, refusal
from hil.core.compare import Finding, Kind, Shift
from hil.core.limit import Limit, Tolerance
from hil.core.records import BudgetRow, Reading, Run, RunOpened, Verdict


def limit(**changes):
    return Limit(**{"name": "c", "unit": "F", "lower": 0.9e-10, "upper": 1.1e-10, **changes})


@pytest.mark.parametrize(
    ("row", "margin"),
    [
        (limit(), 1e-12),
        (limit(lower=None), 1.1e-11),
        (limit(margin="0.1 %", nominal=1e-10), 1e-13),
        (limit(margin="0.1 % + 0.3 pF"), 4e-13),
        (limit(margin="none"), None),
        (limit(unit="", lower=-1e-4, upper=1e-4, margin="8 ppm"), 8e-6),
        (limit(unit="", lower=0.0, upper=0.0), 0.0),
        (limit(nominal=2e-10, tolerance=Tolerance(relative=0.01), lower=None, upper=None), 2e-13),
    ],
)
def test_margins(row, margin):
    assert margin_of(row, 1e-10) == (pytest.approx(margin) if margin else margin)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("0.3 nH", "c: margin '0.3 nH' is in H, the row in F"),
        ("0 pF", "c: margin '0 pF' must be above zero"),
        ("some", "'some' is not a value with a unit; write it like '4.7 nF'"),
    ],
)
def test_margins_that_cannot_be_read(text, sentence):
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole sentence is compared
        margin_of(limit(margin=text), 1e-10)
    assert str(caught.value) == sentence


def reading(value, *, name="c", verdict=Verdict.PASS, **more):
    return Reading(name=name, value=value, unit="F", verdict=verdict, simulated=True, time="", **more)


def run(serial, *readings):
    fields = dict.fromkeys(RunOpened.__dataclass_fields__, "")
    fields |= {"serial": serial, "attempt": 1, "attempts_allowed": 3, "planned": (), "outside_scope": (), "faults": ()}
    return Run(opened=RunOpened(**fields | {"simulated": True, "seed": 0}), readings=readings)


def test_gathering_keeps_repeats_together_and_knows_the_resolution():
    step = BudgetRow(
        name="meter: resolution", standard_uncertainty=1e-15, unit="F", sensitivity=1.0, contribution=1e-15, kind="B",
        distribution="triangular", dof=None,
    )  # fmt: skip
    runs = [run("A", reading(1e-10, budget=(step,)), reading(1.0, name="gone")), run("B", reading(2e-10)),
            run("A", reading(1.2e-10)), run("B", reading(float("nan"), verdict=Verdict.FAIL))]  # fmt: skip
    (series,) = gather(runs, {"c": limit()})
    assert series.values == {"A": (1e-10, 1.2e-10), "B": (2e-10, None)}
    assert series.verdicts["B"] == ("pass", "fail")
    assert (series.floor, series.margin) == (1e-15, pytest.approx(1e-12))


def make_set(values, **changes):
    series = Series(name="c", unit="F", margin=1e-12, values=values, verdicts=dict.fromkeys(values, ("pass",)))
    return RunSet(
        **{
            "firmware": Firmware(source="a.elf", version="1.0.0", flash_bytes=100, ram_bytes=10),
            "board": "qm2", "board_revision": "A", "limits": "qm2.toml", "limits_revision": "A", "limits_sha256": "1",
            "scope": "full", "bench": "simulated", "simulated": True, "seed": 0, "serials": tuple(values), "repeats": 2,
            "made": "", "suite_version": "0", "series": (series,), **changes,
        }
    )  # fmt: skip


GOOD = {"A": (1e-10, 1.001e-10), "B": (2e-10, 2.001e-10), "C": (3e-10, 3.001e-10)}


def test_kept_and_read_again():
    kept = make_set(GOOD)
    assert RunSet.from_json(kept.as_json()) == kept
    with pytest.raises(ValueError, match="format 2, but this version reads 1"):
        RunSet.from_json(kept.as_json() | {"format": 2})
    with pytest.raises(ValueError, match="not a kept set of readings"):
        RunSet.from_json({"format": 1, "firmware": {"source": "x"}})


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"board_revision": "B"}, "the baseline is of board revision A, the candidate of B: what differs would not be"),
        ({"limits_revision": "B"}, "the baseline is of limits revision A, the candidate of B"),
        ({"limits_sha256": "2"}, "the limits file has changed without a new revision (qm2.toml)"),
        ({"scope": "boxed"}, "the baseline is of scope full, the candidate of boxed"),
        ({"bench": "west"}, "the baseline is of bench simulated, the candidate of west"),
        ({"simulated": False}, "one of the two is simulated and the other is not"),
        ({"seed": 4}, "the simulated benches differ (seed 0 and 4)"),
        ({"serials": ("Z",)}, "no unit is in both: the baseline has A, B, C, the candidate Z"),
    ],
)
def test_what_is_not_comparable_is_refused(changes, sentence):
    assert refusal(make_set(GOOD), make_set(GOOD, **changes)).startswith(sentence)


def test_the_same_is_the_same_and_sizes_are_reported():
    candidate = replace(make_set(GOOD), firmware=Firmware(source="b.elf", flash_bytes=130, ram_bytes=10))
    assert refusal(make_set(GOOD), candidate) == ""
    comparison = compare_sets(make_set(GOOD), candidate)
    assert comparison.finding is Finding.SAME
    sizes = {shift.name: shift for shift in comparison.shifts if shift.kind is Kind.SIZE}
    assert (sizes["flash size"].baseline, sizes["flash size"].candidate) == (100.0, 130.0)
    assert [shift.kind for shift in comparison.shifts if shift.name.startswith("c")] == [Kind.VALUE, Kind.SPREAD]


def test_a_shift_and_a_verdict_that_turned():
    moved = make_set({serial: tuple(value + 5e-12 for value in group) for serial, group in GOOD.items()})
    failing = replace(moved.series[0], verdicts={"A": ("fail", "fail"), "B": ("fail", "fail"), "C": ("pass", "fail")})
    comparison = compare_sets(make_set(GOOD), replace(moved, series=(failing,)))
    changed = {shift.name: shift for shift in comparison.of(Finding.CHANGED)}
    assert set(changed) == {"c", "c: verdict"}
    assert changed["c: verdict"].reason == "fails its limit on A, B"


def test_a_verdict_that_turned_on_one_unit_may_be_chance():
    def verdict(serials: tuple[str, ...], repeats: int) -> Shift:
        sides = [
            replace(
                make_set(GOOD),
                serials=serials,
                series=(replace(make_set(GOOD).series[0], verdicts={"A": (said,) * repeats, "B": ("pass",)}),),
            )
            for said in ("pass", "fail")
        ]
        return next(shift for shift in compare_sets(*sides).shifts if shift.name == "c: verdict")

    alone = verdict(("A", "B"), 2)
    assert alone.finding is Finding.CANNOT_TELL
    assert alone.reason == "fails its limit on A alone: more units tell whether by chance"
    assert verdict(("A",), 2).finding is Finding.CHANGED
    once = verdict(("A",), 1)
    assert once.finding is Finding.CANNOT_TELL
    assert once.reason == "fails its limit on A alone: more repeats tell whether by chance"


def test_rows_that_only_one_side_has():
    other = replace(make_set(GOOD), series=(replace(make_set(GOOD).series[0], name="d"),))
    found = {shift.name: shift for shift in compare_sets(make_set(GOOD), other).shifts}
    assert (found["c"].finding, found["d"].finding) == (Finding.CHANGED, Finding.CANNOT_TELL)
    assert found["d"].reason == "the baseline has no such row"


def test_exact_rows_and_texts():
    exact = [replace(make_set(GOOD), series=(Series(name="n", margin=0.0, values={"A": (value,)}),), serials=("A",))
             for value in (0.0, 1.0)]  # fmt: skip
    assert compare_sets(exact[0], exact[0]).finding is Finding.SAME
    assert compare_sets(*exact).finding is Finding.CHANGED
