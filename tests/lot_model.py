"""A lot by a stated model, written as runs of the simulated bench: what lots of hundreds of units would take hours for.

Rows, units and limits are those of limits/qm2.toml against the demo kit. A reading is its nominal (or the middle of its
zone) plus, in units of an eighth of the width of its zone, 0.7 of what the unit has in common for all rows of one
component (the capacitor for c_*, the coil for l_*, f_* and l1, the regulator for rails and supply), and 0.7 of its own.

Planted, each in the rows it would move:
    the third of four component lots of coils drifts: l1, f_open, f_ccal and l_* move by up to `drift` sigmas over it
    bench west, where every third unit is checked, reads rails `bench` sigmas high
    operator ines, at both benches, presses badly: c_470n and c_1u read `habit` sigmas high and scatter twice as much
"""

from dataclasses import replace
from fnmatch import fnmatchcase

import numpy as np

from hil.app.check_files import read_files
from hil.app.settings import read_settings
from hil.core.records import Reading, UnitVerdict, Verdict
from hil.store.sqlite_store import RecordStore
from tests.unit.conftest import CLOSED, OPENED

SHARED = {"capacitor": ("c_*",), "coil": ("l_*", "f_*", "l1"), "regulator": ("rail_5v*", "current_*", "loaded_5v")}
COIL = ("l1", "f_open", "f_ccal", "l_1u", "l_4u7", "l_10u", "l_47u", "l_100u")
RAILS = ("rail_5v_*", "rail_3v_*")
BAD_CONTACT = ("c_470n", "c_1u")
OPERATORS = ("ana", "ines", "tom")
FIRST_S = 1_793_000_000.0


def matches(name: str, patterns: tuple[str, ...]) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in patterns)


def write_model_lot(
    store: RecordStore,
    *,
    units: int = 500,
    lot: str = "26-11",
    seed: int = 1,
    drift: float = 3.0,
    bench: float = 1.2,
    habit: float = 2.0,
) -> None:
    """Write the lot; the same seed gives the same lot, whatever is planted in it."""
    from datetime import UTC, datetime

    files = read_files(read_settings({}), today="2026-11-02")
    rows = [row for row in files.rows if row.lower is not None and row.upper is not None and row.upper > row.lower]
    generator = np.random.default_rng(seed)
    common = generator.normal(size=(units, len(SHARED)))
    own = generator.normal(size=(units, len(rows)))
    operators = generator.choice(OPERATORS, units)
    firmware = (("firmware_version", "1.0.0"),)
    with store.batch():
        for unit in range(units):
            place, reel = "west" if unit % 3 == 2 else "east", unit * 4 // units
            through = (unit * 4 % units) / units  # of the component lot, 0 to 1
            readings = []
            for column, row in enumerate(rows):
                assert row.lower is not None
                assert row.upper is not None
                sigmas = float(own[unit, column])
                for index, patterns in enumerate(SHARED.values()):
                    if matches(row.name, patterns):
                        sigmas = 0.7 * sigmas + 0.7 * float(common[unit, index])
                if reel == 2 and matches(row.name, COIL):
                    sigmas += drift * through
                if place == "west" and matches(row.name, RAILS):
                    sigmas += bench
                if operators[unit] == "ines" and matches(row.name, BAD_CONTACT):
                    sigmas = habit + (2 * sigmas if habit else sigmas)
                middle = row.nominal if row.nominal is not None else (row.lower + row.upper) / 2
                value = middle + sigmas * (row.upper - row.lower) / 8
                is_good = row.lower <= value <= row.upper
                readings.append(
                    Reading(
                        name=row.name, title=row.title, unit=row.unit, value=value, lower=row.lower, upper=row.upper,
                        accept_lower=row.lower, accept_upper=row.upper, nominal=row.nominal, simulated=True,
                        verdict=Verdict.PASS if is_good else Verdict.FAIL, time="", seconds=0.5,
                    )
                )  # fmt: skip
            failed = [one.name for one in readings if one.verdict is Verdict.FAIL]
            run, facts = f"{lot}-{unit:05}", (("component_lot", f"L1-260{reel + 1}"), *firmware)
            opened = datetime.fromtimestamp(FIRST_S + 180 * unit, UTC).isoformat()
            store.open_run(
                replace(
                    OPENED, run=run, serial=f"Q2-{unit:05}", planned=tuple(row.name for row in rows), lot=lot,
                    opened=opened, operator=str(operators[unit]), bench=place, faults=(), instruments=(), parts=(),
                    facts=facts[:1], planned_seconds=95.0,
                )
            )  # fmt: skip
            store.append_all(run, readings)
            store.close_run(
                replace(
                    CLOSED, run=run, verdict=UnitVerdict.FAIL if failed else UnitVerdict.PASS, closed=opened,
                    reason=f"failed: {', '.join(failed)}" if failed else "", planned=len(rows), judged=len(rows),
                    facts=facts, actual_seconds=float(97 + 4 * own[unit, 0]),
                )
            )  # fmt: skip
