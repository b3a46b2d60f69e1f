"""How fast the record is: one durable reading, one whole run read back, columns of a lot."""

from dataclasses import replace
from itertools import count

import pytest

from hil.store.sqlite_store import SqliteStore
from tests.unit.conftest import CLOSED, OPENED, READING

ROWS = 80


@pytest.fixture(scope="module")
def lot(tmp_path_factory):
    """1000 units of 80 readings."""
    where = str(tmp_path_factory.mktemp("lot") / "records.sqlite")
    readings = [replace(READING, name=f"row{index}", value=1.5 + index / 200) for index in range(ROWS)]
    planned = tuple(one.name for one in readings)
    with SqliteStore(where) as store, store.batch():
        for unit in range(1000):
            run = f"R{unit}"
            store.open_run(replace(OPENED, run=run, serial=f"QM2-{unit:05}", planned=planned))
            store.append_all(run, readings)
            store.close_run(replace(CLOSED, run=run, planned=ROWS, judged=ROWS))
    with SqliteStore(where, read_only=True) as store:
        yield store


def test_durable_reading(benchmark, tmp_path):
    with SqliteStore(str(tmp_path / "x.sqlite")) as store:
        store.open_run(OPENED)
        store.append("R1", READING)
        numbers = count()
        benchmark(lambda: store.append("R1", replace(READING, name=f"row{next(numbers) % 10**6}", title="A")))


def test_run_read_back(benchmark, lot):
    run = benchmark(lot.run, "R500")
    assert len(run.readings) == ROWS


def test_summaries(benchmark, lot):
    assert len(benchmark(lot.summaries, lot="L1")) == 1000


def test_columns(benchmark, lot):
    names = ("run_no", "definition_no", "verdict", "value", "seconds")
    columns = benchmark.pedantic(lot.columns, names, {"lot": "L1"}, rounds=3)
    assert len(columns["value"]) == 1000 * ROWS
