"""Totals, states and reasons of a coverage, from trials made up for it."""

import math

import pytest

from hil.core.coverage import GOOD, FaultOf, Seen, State, Trial, Tried, coverage
from hil.core.records import UnitVerdict, Verdict
from hil.core.visibility import Moved

ROWS = ("rail", "frequency", "lamp")
MOVED = Moved(name="V TP, idle", value=3.3, lower=4.9, upper=5.1, times_u=400.0)


def fault(name, *, fault_class="missing", components=("R1",), weight=0.25, inspection=""):
    return FaultOf(name=name, fault_class=fault_class, components=components, weight=weight, inspection=inspection)


def tried(name, number, *failed, verdict=None, trouble=""):
    found = verdict or (UnitVerdict.FAIL if failed else UnitVerdict.PASS)
    readings = {row: Seen(value=1.0, verdict=Verdict.FAIL if row in failed else Verdict.PASS) for row in ROWS}
    trial = Trial(fault=name, number=number, serial=f"S{number}", made=name)
    return Tried(trial=trial, verdict=found, readings=readings, trouble=trouble)


FAULTS = (
    fault("R1=open"),
    fault("R1=short", fault_class="short", weight=0.5),
    fault("R2,R3=swapped", fault_class="swapped", components=("R2", "R3")),
    fault("C1=open", components=("C1",), inspection="optical inspection"),
)
TRIED = (
    tried(GOOD, 0),
    tried(GOOD, 1, "lamp"),
    tried("R1=open", 0, "rail", "frequency"),
    tried("R1=open", 1, "rail"),
    tried("R1=short", 0, "frequency"),
    tried("R1=short", 1),
    tried("R2,R3=swapped", 0),
    tried("C1=open", 0),
)


MOVED_IN = {
    ("R1=open", 0): (MOVED,),
    ("R1=open", 1): (MOVED,),
    ("R1=short", 0): (MOVED,),
    ("R1=short", 1): (MOVED,),
    ("C1=open", 0): (),
}


@pytest.fixture
def found():
    return coverage(FAULTS, TRIED, ROWS, MOVED_IN)


def test_states_of_faults(found):
    assert [one.state for one in found.faults] == [State.CAUGHT, State.SOMETIMES, State.MISSED, State.MISSED]
    assert [one.share for one in found.faults] == [1.0, 0.5, 0.0, 0.0]


def test_totals_count_and_weigh(found):
    total = found.total()
    assert (total.faults, total.caught) == (4, 1.5)
    assert total.weighted_share == pytest.approx(0.5 / 1.25)
    assert (total.visible, total.visible_share) == (2, 0.75)
    assert total.visible_weighted_share == pytest.approx(0.5 / 0.75)


def test_a_unit_in_which_nothing_could_be_seen_is_no_escape(found):
    assert [one.escapes for one in found.faults] == [False, True, False, False]
    hidden = coverage(FAULTS, TRIED, ROWS, MOVED_IN | {("R1=short", 1): ()})
    assert (hidden.total().visible, hidden.total().visible_share) == (1.5, 1.0)
    short = hidden.faults[1]
    assert (short.visible, short.visible_caught, short.escapes) == (1, 1, False)
    assert short.reason == "moves nothing by more than 3 U in the others."


def test_a_fault_of_two_components_counts_for_both(found):
    assert {one.name: one.faults for one in found.by_component()} == {"R1": 2, "R2": 1, "R3": 1, "C1": 1}


def test_a_class_without_visible_faults_has_no_share_of_them(found):
    (swapped,) = (one for one in found.by_class() if one.name == "swapped")
    assert math.isnan(swapped.visible_share)


def test_good_units_that_fail_are_told(found):
    assert [one.trial.serial for one in found.good_failed] == ["S1"]


def test_rows_and_what_only_they_catch(found):
    rows = {row.name: (row.faults, row.alone) for row in found.rows}
    assert rows == {"rail": (1, 1), "frequency": (2, 1), "lamp": (0, 0)}
    assert found.idle_rows() == ("lamp",)
    (frequency,) = (row for row in found.rows if row.name == "frequency")
    assert frequency.weight_alone == pytest.approx(0.5 / 2)


def test_reasons(found):
    reasons = {one.fault.name: one.reason for one in found.faults}
    assert reasons == {
        "R1=open": "",
        "R1=short": "moves 'V TP, idle' to 3.3, good units 4.9 to 5.1.",
        "R2,R3=swapped": "nobody has looked what it moves",
        "C1=open": "moves nothing by more than 3 U. optical inspection",
    }


def test_what_is_not_caught_stands_in_order_of_what_could_be_seen_and_how_often(found):
    assert [one.fault.name for one in found.not_caught()] == ["R1=short", "R2,R3=swapped", "C1=open"]


def test_a_unit_that_stops_the_bench_is_not_caught():
    stopped = tried("R1=open", 0, verdict=UnitVerdict.INCOMPLETE, trouble="supply: silent")
    (one, *_) = coverage(FAULTS, [stopped], ROWS).faults
    assert (one.caught, one.stopped, one.state) == (0, 1, State.MISSED)


def test_untried_faults_are_in_no_total():
    found = coverage(FAULTS, [], ROWS)
    assert found.total().faults == 0
    assert {one.state for one in found.faults} == {State.UNTRIED}
