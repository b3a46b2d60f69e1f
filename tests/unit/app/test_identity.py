"""Two boards with one serial number."""

import runpy
from dataclasses import replace
from types import SimpleNamespace

import pytest

from hil.app.identity import given_before, other_board
from hil.core.ledger import Rework
from hil.core.records import Verdict
from hil.errors import BenchError
from hil.suite import ROOT


def rework(store, target, time="2026-11-25T12:00:00Z"):
    store.add(Rework(uid=target, time=time, serial="QM2-00001", action="replaced", target=target))


@pytest.fixture
def checked(store, opened, reading):
    def checked(run, *, l1=100e-6, c1=680e-12, serial=Verdict.PASS, **changes):
        store.open_run(replace(opened, run=run, **changes))
        store.append(run, replace(reading, name="serial_number", value=True, expected=True, verdict=serial))
        store.append(run, replace(reading, name="l1", value=l1, unit="H"))
        store.append(run, replace(reading, name="c1", value=c1, unit="F"))
        return store.run(run)

    return checked


def test_a_number_nobody_has(store, checked):
    assert given_before(store, "QM2-00001") == ""
    checked("R1", serial=Verdict.FAIL)
    assert given_before(store, "QM2-00001") == ""


def test_a_number_that_is_taken(store, checked):
    checked("R1")
    assert given_before(store, "QM2-00001") == (
        "QM2-00001: a unit has had this serial number since 2026-11-25 (run R1), and the unit in the jig is blank. "
        "Give it a number of its own; if its processor was replaced, record the rework of U3 first."
    )
    rework(store, "R5")
    assert given_before(store, "QM2-00001") != ""
    rework(store, "U3")
    assert given_before(store, "QM2-00001") == ""


def test_the_same_board_again(store, checked):
    assert other_board(store, checked("R1")) == ()
    again = checked("R2", l1=100.5e-6, opened="2026-11-26T10:00:00Z")
    assert other_board(store, again) == ()


def test_a_run_without_the_tank_in_between_hides_nothing(store, checked, opened, reading):
    checked("R1")
    store.open_run(replace(opened, run="S1", only="contact_*", opened="2026-11-25T18:00:00Z"))
    store.append("S1", replace(reading, name="contact_gnd"))
    (sign,) = other_board(store, checked("R2", l1=104e-6, opened="2026-11-26T10:00:00Z"))
    assert sign.startswith("l1 differs by +4.0 % from run R1")


def test_another_board(store, checked):
    checked("R1")
    run = checked("R2", l1=104e-6, board="qm3", opened="2026-11-26T10:00:00Z")
    assert other_board(store, run) == (
        "was recorded as qm2 (run R1), and is qm3 now",
        "l1 differs by +4.0 % from run R1: is it the same board? If a component was replaced, record the rework",
    )


def test_a_reworked_board_may_differ(store, checked):
    checked("R1")
    rework(store, "L1")
    assert other_board(store, checked("R2", l1=104e-6, opened="2026-11-26T10:00:00Z")) == ()


class BlankMeter:
    """A unit without a serial number, which takes the one it is given."""

    given = ""

    def identity(self):
        return SimpleNamespace(serial=self.given or "0")

    def give_serial(self, serial):
        self.given = serial


def test_a_blank_unit_does_not_get_a_number_that_is_taken(store, checked):
    give = runpy.run_path(str(ROOT / "tests/board/test_08_identity.py"))["test_serial_number"]
    judged = []

    def judge(row, value, **said):
        judged.append(value)

    meter = BlankMeter()
    give(None, meter, "QM2-00001", {"number_taken": given_before(store, "QM2-00001")}, judge)
    assert (meter.given, judged) == ("QM2-00001", [True])
    checked("R1")
    another = BlankMeter()
    with pytest.raises(BenchError, match="the unit in the jig is blank"):
        give(None, another, "QM2-00001", {"number_taken": given_before(store, "QM2-00001")}, judge)
    assert another.given == ""
