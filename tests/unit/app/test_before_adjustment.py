"""Quantities at nominal constants: the same whatever a unit had stored before."""

import pytest

from hil.app.before_adjustment import before_adjustment
from hil.core.records import Reading, Run, RunOpened, Verdict


def run(**values):
    fields = dict.fromkeys(RunOpened.__dataclass_fields__, "")
    readings = tuple(
        Reading(name=name, value=value, unit="", verdict=Verdict.PASS, simulated=True, time="")
        for name, value in values.items()
    )
    return Run(opened=RunOpened(**fields), readings=readings)


def derived(**values):
    return {reading.name: reading.value for reading in before_adjustment(run(**values)).readings}


def test_a_blank_unit_and_an_adjusted_one_give_the_same():
    """Crystal 30 ppm fast: the blank unit reads 30 ppm low; two steps of 16 ppm leave 2 ppm."""
    blank = derived(**{"timebase.as_found": -30e-6, "timebase.reload": 2.0, "timebase.as_left": 2e-6})
    again = derived(**{"timebase.as_found": 2e-6, "timebase.reload": 2.0, "timebase.as_left": 2e-6})
    assert blank["timebase.at_nominal"] == pytest.approx(-30e-6)
    assert blank == again
    assert "timebase.as_found" not in blank


def test_ccal_and_scale():
    found = derived(ccal=1.212e-9, scale=1.02)
    assert found["ccal.at_nominal"] == pytest.approx(-0.0099, abs=1e-5)
    assert found["scale.at_nominal"] == pytest.approx(-0.0196, abs=1e-4)


def test_what_was_not_measured_stays_so():
    assert derived(ccal=None)["ccal.at_nominal"] is None
    assert derived(scale=0.0)["scale.at_nominal"] is None
    assert derived(**{"timebase.as_left": 0.0, "timebase.reload": 0.0})["timebase.at_nominal"] == 0.0
    assert "timebase.at_nominal" not in derived(f_open=6e5)
