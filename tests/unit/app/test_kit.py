"""The life of reference parts, and the part that has moved, told from checks of units."""

import random
from collections.abc import Iterator
from dataclasses import replace

import pytest

from hil.app.kit import cross_check_kit, instrument_lives, lives
from hil.app.locate import load_bench, load_kit
from hil.core.records import Reading, Run, RunOpened, Verdict
from hil.errors import UsageError

TODAY = "2026-11-25"
KIT = load_kit("demo", today=TODAY)
CAPACITORS = ("c_100p", "c_1n", "c_10n", "c_100n")
SINCE = "2026-11-15"


def reading(name: str, value: float, unit: str, part: str, nominal: float | None = None) -> Reading:
    return Reading(
        name=name, value=value, unit=unit, verdict=Verdict.PASS, parts=(part,), nominal=nominal, simulated=True, time=""
    )  # fmt: skip


def runs(opened: RunOpened, moved: dict[str, float], *, units: int = 12, faulty: bool = False) -> Iterator[Run]:
    """Units with a scale, an error of their own at each part, and what the parts did since; ``moved`` is relative."""
    rng = random.Random(4)
    for day in ("2026-11-10", "2026-11-20"):
        by = moved if day >= SINCE else {}
        for unit in range(units):
            scale, readings = rng.gauss(0, 1e-4), []
            for name in CAPACITORS:
                part = KIT[name]
                # the part that adjusts takes the whole scale with it
                shift = by.get(name, 0.0) - by.get("c_1n_adjust", 0.0)
                off = 3e-3 + scale + rng.gauss(0, 5e-5) + shift + (0.3 if faulty and unit == 0 else 0.0)
                readings.append(reading(name, part.value * (1 + off), "F", name, part.value))
            readings.append(reading("ccal.as_left", rng.gauss(0, 2e-5), "", "c_1n_adjust"))
            readings.append(reading("ccal", 1.2e-9, "F", "c_1n_adjust", 1.2e-9))  # no reading of the part
            readings.append(reading("zero_c", 1e-15, "F", "open"))
            yield Run(
                opened=replace(opened, run=f"{day}-{unit}", serial=f"{day}-{unit}", opened=f"{day}T10:00:00Z"),
                readings=tuple(readings),
                closed=None,
            )


def moved(opened: RunOpened, by: dict[str, float], **more: object) -> list[str]:
    found = cross_check_kit(runs(opened, by, **more), KIT, since=SINCE)  # type: ignore[arg-type]
    assert [one.check.part for one in found] == [*CAPACITORS, "c_1n_adjust"]
    assert {(one.before, one.since) for one in found} == {(12, 12)}
    return [one.check.part for one in found if one.check.has_moved]


def test_a_kit_at_rest_is_not_blamed(opened: RunOpened) -> None:
    assert moved(opened, {}) == []


@pytest.mark.parametrize("part", ["c_100p", "c_100n", "c_1n_adjust"])
@pytest.mark.parametrize("by", [1e-3, -2e-3])
def test_the_part_that_moved_is_named(opened: RunOpened, part: str, by: float) -> None:
    assert moved(opened, {part: by}) == [part]


def test_one_faulty_unit_does_not_matter(opened: RunOpened) -> None:
    assert moved(opened, {"c_10n": 1e-3}, faulty=True) == ["c_10n"]


def test_the_deviation_is_the_one_put_in(opened: RunOpened) -> None:
    found = {one.check.part: one.check for one in cross_check_kit(runs(opened, {"c_1n": 1e-3}), KIT, since=SINCE)}
    assert found["c_1n"].deviation == pytest.approx(1e-3, abs=found["c_1n"].expanded_uncertainty)


def test_too_few_units_say_nothing(opened: RunOpened) -> None:
    with pytest.raises(UsageError) as caught:
        cross_check_kit(runs(opened, {}, units=7), KIT, since=SINCE)
    assert str(caught.value) == (
        "7 units were read before 2026-11-15 and 7 since; 8 on either side are needed. Choose another --since, or "
        "check more units."
    )


def test_two_parts_cannot_say_which_one_moved(opened: RunOpened) -> None:
    few = (replace(run, readings=run.readings[:2]) for run in runs(opened, {}))
    with pytest.raises(UsageError, match="fewer than three parts of a kind"):
        cross_check_kit(few, KIT, since=SINCE)


def test_the_life_of_a_part() -> None:
    part = KIT["c_100p"]
    damaged = replace(KIT, parts={"a": replace(part, damaged="lead broken"), "b": replace(part, due="2026-11-24")})
    assert [life.trouble for life in lives(damaged, TODAY)] == ["damaged: lead broken", "was due 2026-11-24"]
    (life,) = lives(replace(KIT, parts={"c_100p": part}), TODAY)
    assert life.trouble == ""
    assert life.back_by <= part.due
    assert part.present is not None
    assert life.expanded_uncertainty > part.present.expanded_uncertainty
    later = lives(replace(KIT, parts={"c_100p": part}), life.back_by)[0]
    assert later.expanded_uncertainty == pytest.approx(2 * part.present.expanded_uncertainty, rel=2e-3)


def test_an_instrument_goes_back_sooner_when_it_was_found_out_of_tolerance() -> None:
    bench = load_bench("simulated")
    found = {life.role: life for life in instrument_lives(bench, "2026-11-25")}
    steady, once_out = found["voltmeter"], found["counter"]
    assert (steady.calibrations, steady.in_tolerance, once_out.in_tolerance) == (3, 3, 2)
    assert steady.back_by == "2027-06-30"
    assert once_out.interval_days < steady.interval_days
    assert once_out.back_by < "2027-06-30"
    assert all(not life.trouble for life in found.values())
    overdue = instrument_lives(bench, "2027-08-01")
    assert {life.trouble for life in overdue} == {"was due 2027-06-30"}
