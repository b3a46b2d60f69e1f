"""The process that a lot shows is the one its units were drawn from."""

import random
from collections.abc import Iterator
from dataclasses import replace

import pytest

from hil.app.expected import Expected
from hil.app.process_of_lot import LEAST_UNITS, process_text
from hil.core.budget import budget
from hil.core.inputs import normal, rectangular
from hil.core.limit import Limit
from hil.core.records import Reading, Run, RunClosed, RunOpened, UnitVerdict, Verdict
from hil.errors import UsageError
from hil.files.process import parse_process

NOMINAL, NOISE = 100e-12, 0.03e-12
CAPACITORS = ("c_a", "c_b", "c_c", "c_d")
MEAN, SD, SHARED = 0.2e-12, 0.1e-12, 0.06e-12  # the shared part belongs to the standard deviation


def expected(name: str) -> Expected:
    limit = Limit(name=name, unit="F", nominal=NOMINAL, lower=99e-12, upper=101e-12)
    inputs = [normal("noise", 0.0, NOISE, kind="A"), rectangular("accuracy", 0.0, 0.01e-12)]
    return Expected(limit=limit, budget=budget(lambda a, b: a + b, inputs, unit="F"))


ROWS = (*map(expected, CAPACITORS), Expected(limit=Limit(name="steady", unit="V", lower=4.9, upper=5.1), budget=None))


@pytest.fixture
def lot(opened: RunOpened, closed: RunClosed):
    """Units of a lot; the last of them failed, grossly."""

    def lot(units: int) -> Iterator[Run]:
        rng = random.Random(1)
        for unit in range(units):
            shared, own = rng.gauss(0, SHARED), (SD**2 - SHARED**2) ** 0.5
            bad = unit == units - 1
            readings = [
                Reading(
                    name=name, value=NOMINAL + MEAN + shared + rng.gauss(0, own) + rng.gauss(0, NOISE) + 50e-12 * bad,
                    unit="F", verdict=Verdict.FAIL if bad else Verdict.PASS, nominal=NOMINAL, simulated=True, time="",
                )
                for name in CAPACITORS
            ]  # fmt: skip
            more = (
                Reading(name="steady", value=5.01, unit="V", verdict=Verdict.PASS, simulated=True, time=""),
                Reading(name="model", value="QM-2", unit="", verdict=Verdict.PASS, simulated=True, time=""),
                Reading(name="c_a", value=None, unit="F", verdict=Verdict.NOT_MEASURED, simulated=True, time=""),
            )
            yield Run(
                opened=replace(opened, run=str(unit), serial=str(unit)),
                readings=(*readings, *more[: 3 if bad else 2]),
                closed=replace(closed, run=str(unit), verdict=UnitVerdict.FAIL if bad else UnitVerdict.PASS),
            )

    return lot


def test_mean_and_deviation_are_those_of_the_true_values(lot) -> None:
    text = process_text(lot(2001), ROWS, board="qm2", lot="26-11")
    assert "# Found from 2000 units of lot 26-11, units that failed left out." in text
    process = parse_process("p.toml", text)
    for row in ROWS[:4]:
        found = process.of(row.limit)
        assert found is not None
        assert found.mean - NOMINAL == pytest.approx(MEAN, abs=4 * SD / 2000**0.5)
        assert found.sd == pytest.approx(SD, rel=0.06)  # without the noise of reading
        assert process.shared_by(row.limit)["Ccal"] == pytest.approx(SHARED, rel=0.15)


def test_what_does_not_scatter_gets_a_thousandth_of_its_tolerance(lot) -> None:
    process = parse_process("p.toml", process_text(lot(20), ROWS, board="qm2", lot="x"))
    found = process.of(ROWS[4].limit)
    assert found is not None
    assert (found.mean, found.sd) == (pytest.approx(5.01), pytest.approx(1e-4))


def test_too_few_units_are_no_process(lot) -> None:
    with pytest.raises(UsageError) as caught:
        process_text(lot(LEAST_UNITS), ROWS, board="qm2", lot="x")
    assert str(caught.value) == "lot 'x': 9 units are too few for a process; 10 are needed."
