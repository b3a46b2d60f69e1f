"""The order that finds a fault soonest, held to what it must not break; and what could be left out."""

import itertools

import pytest

from hil.core.check_order import Failing, first_breach, left_out, seconds_to_fail, soonest
from hil.core.plan import PlannedRow


def row(name, *, group="", after=(), seconds=1.0):
    return PlannedRow(
        name=name, check="test_x.py::f", group=group or name, needs=(), power="on", after=tuple(after), seconds=seconds
    )


ROWS = (
    row("ohm", group="unpowered"),
    row("rail", after=["ohm"]),
    row("slow", after=["rail"], seconds=60.0),
    row("quick", after=["rail"]),
    row("lamp", after=["unpowered"]),
)
SECONDS = {one.name: one.seconds for one in ROWS}
FAILING = (
    Failing(weight=0.3, rows=frozenset({"quick"})),
    Failing(weight=0.1, rows=frozenset({"slow"})),
    Failing(weight=0.2, rows=frozenset({"lamp", "slow"})),
)


def test_the_best_order_keeps_what_comes_after_what():
    best = soonest(ROWS, SECONDS, FAILING)
    assert sorted(best) == sorted(SECONDS)
    assert first_breach(best, ROWS) is None
    assert best[-1] == "slow"


def test_greedy_is_near_the_best_of_all_allowed_orders():
    allowed = [order for order in itertools.permutations(SECONDS) if first_breach(order, ROWS) is None]
    times = [seconds_to_fail(order, SECONDS, FAILING) for order in allowed]
    best = seconds_to_fail(soonest(ROWS, SECONDS, FAILING), SECONDS, FAILING)
    assert min(times) <= best < 1.05 * min(times)
    assert best < seconds_to_fail(tuple(SECONDS), SECONDS, FAILING)


def test_rows_of_one_group_keep_their_order_and_some_stay_last():
    rows = (row("a", group="one"), row("b", group="one"), row("c"), row("d"))
    failing = [Failing(weight=1.0, rows=frozenset({"d"})), Failing(weight=0.5, rows=frozenset({"b"}))]
    assert soonest(rows, {}, failing) == ("d", "a", "b", "c")
    assert soonest(rows, {}, failing, last=frozenset({"d"})) == ("a", "b", "c", "d")


def test_an_order_that_powers_before_it_has_measured_is_found_out():
    assert first_breach(("rail", "ohm"), ROWS) == ("rail", "ohm")
    assert first_breach(("ohm",), ROWS) is None  # the others come last, as they stand
    assert first_breach(("quick", "ohm", "rail"), ROWS) in {("quick", "rail"), ("quick", "ohm")}


def test_time_until_the_first_failed_row():
    # quick at 63 s, slow at 62 s twice, by weight
    assert seconds_to_fail(tuple(SECONDS), SECONDS, FAILING) == pytest.approx((0.3 * 63 + 0.3 * 62) / 0.6)


def test_what_is_left_out_first_loses_nothing():
    left = left_out(ROWS, SECONDS, FAILING[:1], most_loss=0.5)
    assert [(one.name, one.loss) for one in left[:2]] == [("slow", 0.0), ("lamp", 0.0)]
    assert left[1].saved_s == 61.0


def test_what_others_come_after_stays_until_they_are_gone():
    names = [one.name for one in left_out(ROWS, SECONDS, [], most_loss=0.0)]
    assert names.index("ohm") > names.index("rail") > max(names.index("slow"), names.index("quick"))


def test_a_loss_too_large_is_not_made_and_what_must_stay_stays():
    assert [one.name for one in left_out(ROWS, SECONDS, FAILING, most_loss=0.05)] == ["lamp"]
    assert left_out(ROWS, SECONDS, FAILING, keep=frozenset({"lamp"}), most_loss=0.05) == ()


def test_nothing_failed():
    assert sorted(soonest(ROWS, SECONDS, [])) == sorted(SECONDS)
