"""Which faults could be seen on the simulated bench, whatever the checks are."""

import math

import pytest

from hil.app.check_files import read_files, value_today
from hil.app.fault_universe import universe_of
from hil.app.settings import read_settings
from hil.app.visibility import Looking, first_moved_by, looking, moved_by
from hil.core.visibility import Range, ranges_of

TODAY = "2026-11-25"


@pytest.fixture(scope="module")
def looks(tmp_path_factory) -> Looking:
    files = read_files(read_settings({}, folder=tmp_path_factory.mktemp("nothing")), today=TODAY)
    return looking(files, universe_of("qm2")[0], TODAY)


@pytest.fixture(scope="module")
def ranges(looks) -> dict[str, Range]:
    return ranges_of([looks.good(number) for number in range(12)])


def test_everything_that_is_looked_at_has_an_uncertainty(looks, ranges):
    without = {name for name, good in ranges.items() if looks.expanded_uncertainty(name, good.upper) <= 0}
    assert {name.split()[0] for name in without} == {"="}


def test_the_nominal_unit_is_within_all_ranges(looks, ranges):
    assert moved_by("", "", looks, ranges) == ()


@pytest.mark.parametrize("fault", ["C7=open", "D3=open", "R20=open", "J3.1=open", "U3.8=open"])
def test_what_nothing_shows(looks, ranges, fault):
    assert moved_by(fault, "", looks, ranges) == ()


@pytest.mark.parametrize(
    ("fault", "shown_by"),
    [
        ("R15=+20%", "ohm TP_COMP:TP_T0"),
        ("R14=+50%", "V TP_COMP:TP_COMPAVG, idle, loaded"),
        ("C2=+20%", "F C1"),
        ("LED2=open", "= LED2 lit, lamps changed"),
        ("R27=open", "= display shows"),
        ("J2.3=open", "Hz open"),
        ("J4.2=open", "F c_1n"),
        ("Y1=+300ppm", "rel timebase"),
    ],
)
def test_what_shows_a_fault(looks, ranges, fault, shown_by):
    assert shown_by in {moved.name for moved in moved_by(fault, "", looks, ranges)}


def test_a_unit_at_the_edge_of_its_tolerances_hides_what_another_shows(looks, ranges):
    """Half a load capacitor more slows the clock by 37 ppm: with a crystal that is fast, nobody sees it."""
    seen = {f"QM2-{number:05d}": moved_by("C10=+50%", f"QM2-{number:05d}", looks, ranges) for number in range(13, 25)}
    assert {bool(moved) for moved in seen.values()} == {True, False}
    for serial, moved in seen.items():
        first = first_moved_by("C10=+50%", serial, looks, ranges)
        assert first == () if not moved else first[0] in moved


def test_an_intermittent_joint_is_looked_at_while_it_is_open(looks, ranges):
    assert [one.name for one in moved_by("R9=intermittent=0.1", "", looks, ranges)] == [
        one.name for one in moved_by("R9=open", "", looks, ranges)
    ]


def test_what_is_adjusted_reads_what_the_adjusting_part_is(looks):
    seen = looks.good(3)
    for name, within in (("c_1n_adjust", 1e-9), ("c_1n", 5e-3), ("c_100p", 0.02)):
        assert seen[f"F {name}, adjusted"] == pytest.approx(value_today(looks.kit[name], TODAY), rel=within)
    assert not any(math.isnan(value) for value in seen.values())
