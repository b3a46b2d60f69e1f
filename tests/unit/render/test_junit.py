"""Properties in the JUnit XML."""

from collections.abc import Callable
from dataclasses import dataclass, field

from hil.core.records import Reading, Run
from hil.render.junit import JunitProperties, case_properties, suite_properties

MakeRun = Callable[..., Run]


@dataclass
class Item:
    """As much of a pytest item as the hook looks at."""

    nodeid: str
    user_properties: list[tuple[str, str]] = field(default_factory=list)


def named(run: Run | None, name: str) -> Reading | None:
    return next((reading for reading in run.readings if reading.name == name), None) if run else None


def test_every_case_says_what_was_read_and_that_it_was_simulated(run_of: MakeRun) -> None:
    item = Item("t.py::t[c_100p]")
    JunitProperties(run_of, lambda name: named(run_of(), name)).pytest_runtest_teardown(item)
    found = dict(item.user_properties)
    assert found["simulated"] == "true"
    assert (found["name"], found["verdict"], found["unit"]) == ("c_100p", "pass", "F")
    assert float(found["upper"]) == 101.3e-12
    assert "expected" not in found


def test_text_and_boolean_readings_carry_what_was_expected(run_of: MakeRun) -> None:
    boots = next(reading for reading in run_of().readings if reading.name == "boots")
    assert ("expected", "true") in case_properties(boots)
    assert ("value", "true") in case_properties(boots)


def test_an_item_without_a_reading_or_a_run_stays_as_it_is(run_of: MakeRun) -> None:
    for run, nodeid in ((run_of(), "t.py::t[unknown]"), (None, "t.py::t[c_100p]")):
        item = Item(nodeid)
        JunitProperties(lambda run=run: run, lambda name, run=run: named(run, name)).pytest_runtest_teardown(item)
        assert item.user_properties == []


def test_the_suite_says_which_run_it_was(run_of: MakeRun) -> None:
    found = dict(suite_properties(run_of(fail=("c_100p",))))
    assert (found["simulated"], found["verdict"], found["serial"]) == ("true", "FAIL", "QM2-0042")
