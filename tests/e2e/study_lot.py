"""Checks a lot of 500 units through the simulated bench, with three problems that nobody tells the checks.

python study_lot.py FOLDER [UNITS]     goes on where it was stopped; then ``hil lot 26-12 --simulated --out FOLDER``

Every unit goes through what ``hil check`` goes through, without certificates and pages; failing ones are diagnosed. As
at a maker: two benches, each with instruments and parts of its own, west taking every third box of ten units; who works
is drawn for each box; the coil L1 comes in four component lots, a quarter of the units each, told with ``--fact``.
Every insertion scatters the needles by 10 mohm.

Put in, and to be seen on the page by someone who was not told:
    L1 of the third component lot drifts, by 8 % from its first to its last unit
    the voltmeter of bench west reads 0.4 % high
    operator ines, at both benches, presses so that every needle has 80 mohm more
"""

import random
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from hil.app.budgets import budgets_of
from hil.app.check_files import read_files
from hil.app.check_unit import Made, Order, check_in_turn
from hil.app.diagnose import record
from hil.app.outputs import explained
from hil.app.settings import Settings, read_settings
from hil.core.records import Run
from hil.runner import BoardSession
from hil.store.sqlite_store import SqliteStore
from hil.suite import ROOT

UNITS, BOX, LOT = 500, 10, "26-12"
SEEDS = {"east": 11, "west": 12}
PEOPLE = ("ana", "ines", "tom")
EVERYWHERE = ("bench.jig.contact.fitting=10mohm", "bench.operator.ines.contact=80mohm")
WEST = ("bench.voltmeter.voltage=+0.4%",)
DRIFTING, DRIFT = 2, 0.08  # which of the four component lots, and how far
FIRST_S, EACH_S = 1_793_000_000, 180


def order_of(unit: int, settings: dict[str, Settings]) -> Order:
    """The order for one unit: where, by whom, of which component lot, and what is wrong with it."""
    box, reel = unit // BOX, unit * 4 // UNITS
    bench = "west" if box % 3 == 2 else "east"
    faults = EVERYWHERE + (WEST if bench == "west" else ())
    if reel == DRIFTING:
        faults += (f"L1={DRIFT * (unit * 4 % UNITS) / UNITS:+.3%}",)
    person = random.Random(f"who works on box {box}").choice(PEOPLE)
    return Order(
        serials=(f"QL-{unit:05}",), settings=settings[f"{bench} {person}"], seed=SEEDS[bench], faults=faults,
        now=datetime.fromtimestamp(FIRST_S + EACH_S * unit, UTC).isoformat(timespec="milliseconds"),
        facts=(("component_lot", f"L1-260{reel + 1}"),),
    )  # fmt: skip


def settings_in(folder: Path) -> dict[str, Settings]:
    """Settings for each bench and person; writes the bench files."""
    shipped = (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")
    found = {}
    for bench in SEEDS:
        path = folder / f"{bench}.toml"
        path.write_text(shipped.replace('bench = "simulated"', f'bench = "{bench}"', 1), encoding="utf-8")
        for person in PEOPLE:
            given = {"bench": str(path), "out": str(folder), "operator": person, "lot": LOT}
            found[f"{bench} {person}"] = read_settings(given, folder=folder)
    return found


def checked(folder: Path) -> set[str]:
    """Serial numbers that are in the record already."""
    path = folder / "simulated.sqlite"
    if not path.is_file():
        return set()
    with SqliteStore(str(path), read_only=True) as store:
        return {one.serial for one in store.summaries(lot=LOT) if one.is_complete}


def stretches(units: Sequence[int]) -> Iterator[list[int]]:
    """Units that follow each other on one bench."""
    stretch: list[int] = []
    for unit in units:
        if stretch and unit // BOX != stretch[-1] // BOX:
            yield stretch
            stretch = []
        stretch.append(unit)
    if stretch:
        yield stretch


def diagnosed(run: Run, store: SqliteStore, folder: Path, now: str) -> Made:
    """The diagnosis of a failing run goes into the record, as with ``hil check``."""
    found = explained(run, store)
    if found is not None:
        record(store, found, now=now, author=run.opened.operator)
    return tuple


def main(folder: Path, units: int = UNITS) -> None:
    """Check those units that are still missing."""
    folder.mkdir(parents=True, exist_ok=True)
    settings, done, started = settings_in(folder), checked(folder), time.process_time()
    missing = [unit for unit in range(units) if f"QL-{unit:05}" not in done]
    for stretch in stretches(missing):
        orders = [order_of(unit, settings) for unit in stretch]
        files = read_files(orders[0].settings, today=orders[0].today)
        turns = ((order.serials[0], order) for order in orders)
        with BoardSession() as session:
            for outcome in check_in_turn(turns, orders[0], files, session, budget_for=budgets_of, after=diagnosed):
                assert outcome.exit_code in (0, 1), outcome.trouble
                closed = outcome.run.closed
                print(outcome.run.opened.serial, outcome.run.verdict, closed.reason if closed else "", file=sys.stderr)
        seconds = time.process_time() - started
        print(f"{stretch[-1] + 1} of {units} units, {seconds:.0f} s of processor time", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), *map(int, sys.argv[2:]))
