"""Lots of any size in a record, quickly: readings drawn from a stated model, written as the store itself would.

Each of the checks is normal around its nominal with a sigma of an eighth of its tolerance; every fiftieth unit fails
one check and passes its retest. Everything says SIMULATED, because the record is of simulated runs.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np

from hil.core.records import UnitVerdict
from hil.store import schema
from hil.store.sqlite_store import SqliteStore
from tests.unit.conftest import CLOSED, OPENED, READING

CHECKS = 80
SPAN_S = 60.0
FIRST_S = 1.79e9


def write_lot(path: Path, *, units: int, lot: str = "big", seed: int = 1) -> None:
    """Write a lot into a new record."""
    generator = np.random.default_rng(seed)
    names = [f"check_{index:02}" for index in range(CHECKS)]
    nominal = 1.0 + np.arange(CHECKS) / 10
    half = nominal / 100
    values = generator.normal(nominal, half / 4, size=(units, CHECKS))
    bad = np.arange(0, units, 50)
    which = generator.integers(CHECKS, size=bad.size)
    readings = [
        replace(READING, name=name, title=f"Check {name[-2:]}", lower=middle - width, upper=middle + width,
                accept_lower=middle - 0.9 * width, accept_upper=middle + 0.9 * width, nominal=middle, budget=(), raw=())
        for name, middle, width in zip(names, nominal.tolist(), half.tolist(), strict=True)
    ]  # fmt: skip
    more = schema.reading_more(readings[0])
    limits = [schema.reading_row(one)[3:] for one in readings]
    planned = tuple(names)
    with SqliteStore(str(path)) as store, store.batch():
        database, run_no = store.database, 0

        def write(unit: int, attempt: int, row: "np.ndarray[tuple[int], np.dtype[np.float64]]", failed: int) -> None:
            nonlocal run_no
            run_no += 1
            opened = replace(
                OPENED, run=f"R{run_no}", serial=f"QM2-{unit:06}", planned=planned, attempt=attempt, lot=lot,
                opened=iso(FIRST_S + SPAN_S * run_no), operator=f"P{unit % 3}", bench=f"B{unit // 500 % 2}",
                instruments=(), parts=(), facts=(("component_lot", f"CL-{unit * 5 // units}"),),
            )  # fmt: skip
            store.open_run(opened)
            if run_no == 1:
                store.append_all(opened.run, readings)
                database.execute("DELETE FROM details")
                database.execute("DELETE FROM readings")
            verdicts = ["pass"] * CHECKS
            if failed >= 0:
                verdicts[failed] = "fail"
            database.execute_many(
                f"INSERT INTO readings (run_no, position, definition_no, {schema.READING_SQL})"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (run_no, at, at + 1, verdict, value, None, *rest)
                    for at, (verdict, value, rest) in enumerate(zip(verdicts, row.tolist(), limits, strict=True))
                ],
            )
            database.execute_many(
                "INSERT INTO details (run_no, position, more) VALUES (?, ?, ?)",
                [(run_no, at, more) for at in range(CHECKS)],
            )
            verdict = UnitVerdict.FAIL if failed >= 0 else UnitVerdict.PASS
            closed = iso(FIRST_S + SPAN_S * run_no + 30)
            store.close_run(
                replace(CLOSED, run=opened.run, verdict=verdict, planned=CHECKS, judged=CHECKS, closed=closed,
                        facts=(("firmware_version", "1.0.0"), *opened.facts))
            )  # fmt: skip

        for unit in range(units):
            index = unit // 50
            if unit % 50 == 0:
                wrong = values[unit].copy()
                wrong[which[index]] = nominal[which[index]] + 1.5 * half[which[index]]
                write(unit, 1, wrong, int(which[index]))
                write(unit, 2, values[unit], -1)
            else:
                write(unit, 1, values[unit], -1)


def iso(seconds: float) -> str:
    """ISO 8601 in UTC."""
    from datetime import UTC, datetime

    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds")
