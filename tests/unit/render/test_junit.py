"""Properties in the JUnit XML."""

from collections.abc import Callable

from hil.core.records import Run
from hil.render.junit import case_properties, suite_properties

MakeRun = Callable[..., Run]


def test_every_case_says_what_was_read_and_that_it_was_simulated(run_of: MakeRun) -> None:
    found = dict(case_properties(next(reading for reading in run_of().readings if reading.name == "c_100p")))
    assert found["simulated"] == "true"
    assert (found["name"], found["verdict"], found["unit"]) == ("c_100p", "pass", "F")
    assert float(found["upper"]) == 101.3e-12
    assert "expected" not in found


def test_text_and_boolean_readings_carry_what_was_expected(run_of: MakeRun) -> None:
    boots = next(reading for reading in run_of().readings if reading.name == "boots")
    assert ("expected", "true") in case_properties(boots)
    assert ("value", "true") in case_properties(boots)


def test_the_suite_says_which_run_it_was(run_of: MakeRun) -> None:
    found = dict(suite_properties(run_of(fail=("c_100p",))))
    assert (found["simulated"], found["verdict"], found["serial"]) == ("true", "FAIL", "QM2-0042")
