"""Learn the fault dictionary of a board: units with one fault each through the unchanged checks, probes from the model.

The same 200 units are tried without a fault and, in turn, with every fault; they are spread over several benches, whose
jigs and reference parts differ. Everything tried is kept in a table (`hil.store.trials`), so that learning can be
interrupted, and a dictionary made anew from the same table is the same to the last byte.
"""

import math
import random
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

import numpy as np

from hil.app.coverage import OpenSession, Work, files_for_trials, fill
from hil.app.dictionary_file import state_of
from hil.app.fault_universe import universe_of
from hil.app.locate import load_limits
from hil.app.probe_model import probe_names, probe_values, unit_of, weak_points
from hil.app.settings import Settings
from hil.circuit.netlist import Netlist
from hil.circuit.universe import PossibleFault, varied
from hil.core.coverage import GOOD, Seen, Trial, Tried
from hil.core.diagnosis import UNTRIED, Dictionary, outcome
from hil.core.fault_dictionary import Columns, LeftOut, Tries, alike_groups, best_sharpness, learn, left_out
from hil.core.limit import Limit, Limits
from hil.core.records import Verdict
from hil.errors import UsageError
from hil.sim.unit import FIRMWARE_VERSION, build_unit
from hil.store.trials import TrialTable

GOOD_UNITS, BENCHES, UNITS = 200, 5, 6
POOL = "QM2-6"  # how the serial numbers of the units begin
LEAST_WIDTH = 0.02  # of a limit's half-width: differences below it do not speak
LEAST_RESISTANCE, LEAST_VOLTAGE_V, LEAST_FREQUENCY = 0.02, 2e-3, 1e-4  # the same for probes


def board_of(limits_name: str) -> tuple[Limits, Netlist, tuple[PossibleFault, ...]]:
    """Limits, netlist and universe of faults of the board that a limits file is for.

    Raises:
        UsageError: one of the files is wrong.
    """
    limits = load_limits(limits_name)
    return limits, *universe_of(limits.board)


def learning_trials(possible: Sequence[PossibleFault], netlist: Netlist, *, units: int = UNITS) -> list[Trial]:
    """Every fault on the first, second … of its units, after the same units without a fault."""
    trials = [Trial(fault=GOOD, number=number, serial=_serial(number)) for number in range(GOOD_UNITS)]
    for number in range(units):
        for place, one in enumerate(possible):
            serial = _serial((place * 7 + number * 31) % GOOD_UNITS)
            # The strengths of every three units with a fault are spread evenly.
            uniform = (number % 3 + random.Random(f"{one.text}{number // 3}").random()) / 3
            trials.append(Trial(fault=one.text, number=number, serial=serial, made=varied(one, netlist, uniform)))
    return trials


def _serial(number: int) -> str:
    return f"{POOL}{number:04d}"


def bench_of(serial: str) -> int:
    """Seed of the bench on which a unit is tried; units of `hil coverage` are all tried on the same one."""
    return int(serial[-4:]) % BENCHES if serial.startswith(POOL) else 0


def try_all(
    table: TrialTable,
    trials: Sequence[Trial],
    settings: Settings,
    netlist: Netlist,
    open_session: OpenSession,
    *,
    now: str,
    jobs: int,
) -> Iterator[Tried]:
    """Try what the table lacks, bench by bench; each is durable before it is given out.

    Raises:
        UsageError: a file is wrong, or the bench is not simulated.
        BenchError: the bench cannot be opened.
    """
    files = files_for_trials(settings, now[:10])
    weak = weak_points(netlist)
    for bench in range(BENCHES):
        work = Work(settings=settings, files=files, open_session=open_session, now=now, seed=bench)
        for one in fill(table, [one for one in trials if bench_of(one.serial) == bench], work, jobs=jobs):
            with_probes = replace(one, readings={**one.readings, **probed(one.trial, netlist, weak)})
            table.add(with_probes)
            yield with_probes


def probed(trial: Trial, netlist: Netlist, weak: Collection[str]) -> dict[str, Seen]:
    """What probes would read on a unit, by the circuit model."""
    model = build_unit(netlist, trial.serial, trial.made.split()).model
    return {name: Seen(value=value, verdict=Verdict.PASS) for name, value in probe_values(model, weak).items()}


def learned(
    tables: Sequence[TrialTable], possible: Sequence[PossibleFault], netlist: Netlist, limits: Limits, limits_name: str
) -> Dictionary:
    """The dictionary that follows from tables of trials; those of `hil coverage` on its common unit count too.

    Raises:
        UsageError: the table lacks the units without faults.
    """
    columns = columns_of(limits.rows, netlist)
    tries, faults = tries_of(tables, possible, columns)
    weight = {one.text: one.weight for one in possible}
    weights = np.array([weight[fault] for fault in faults])
    about = {**state_of(limits.board, limits_name), "firmware": FIRMWARE_VERSION, "units": str(len(tries.fault))}
    found: list[LeftOut] = list(left_out(columns, tries, faults, weights))
    groups = alike_groups(found, len(faults), 1.0)
    sharpness = best_sharpness(found, weights, groups)
    groups = alike_groups(found, len(faults), sharpness)
    return replace(learn(columns, tries, faults, weights, about), groups=groups, sharpness=sharpness)


def columns_of(rows: Sequence[Limit], netlist: Netlist) -> Columns:
    """Columns of a dictionary: the rows of the limits, then the probes of the board."""
    probes = probe_names(netlist)
    floor = [_floor(row) for row in rows]
    floor += [
        {"ohm": LEAST_RESISTANCE, "V": LEAST_VOLTAGE_V, "Hz": LEAST_FREQUENCY}[unit_of(probe)] for probe in probes
    ]
    units = [row.unit for row in rows] + [unit_of(probe) for probe in probes]
    return Columns(
        names=(*(row.name for row in rows), *probes),
        readings=len(rows),
        numeric=np.array([*(row.is_numeric for row in rows), *(True for _ in probes)]),
        logarithmic=np.array(
            [unit == "ohm" or (unit == "Hz" and place >= len(rows)) for place, unit in enumerate(units)]
        ),
        floor=np.array(floor),
    )


def _floor(row: Limit) -> float:
    """Least standard deviation of a row, from its limits: what is far below them does not matter."""
    if not row.is_numeric or row.upper is None:
        return 0.0
    if row.unit == "ohm":
        return 0.05 if not row.lower else LEAST_WIDTH * math.log(row.upper / row.lower) / 2
    half = abs(row.upper) if row.lower is None else (row.upper - row.lower) / 2
    return LEAST_WIDTH * half if math.isfinite(half) else 0.0


def tries_of(
    tables: Sequence[TrialTable], possible: Sequence[PossibleFault], columns: Columns
) -> tuple[Tries, tuple[str, ...]]:
    """Units of tables side by side, and the faults that they have; of units whose like without a fault is there.

    Raises:
        UsageError: the tables lack the units without faults.
    """
    good = [one for table in tables for one in table.all(GOOD)]
    line = {one.trial.serial: place for place, one in enumerate(good)}
    faulty = [one for table in tables for one in table.all() if one.trial.fault != GOOD and one.trial.serial in line]
    if len(good) < GOOD_UNITS / 2:
        raise UsageError(f"{tables[0].where}: only {len(good)} units without a fault. Try them first: --learn does.")
    known = {one.trial.fault for one in faulty}
    faults = tuple(one.text for one in possible if one.text in known)
    number = {fault: place for place, fault in enumerate(faults)}
    units = [*good, *(one for one in faulty if one.trial.fault in number)]
    kind = np.full((len(units), len(columns.names)), UNTRIED, dtype=np.int64)
    value = np.zeros(kind.shape)
    place_of = {name: place for place, name in enumerate(columns.names)}
    for at, unit in enumerate(units):
        for name, seen in unit.readings.items():
            if name in place_of:
                tried = seen.verdict is not Verdict.NOT_MEASURED
                found = outcome(seen.value, tried, seen.verdict is Verdict.PASS)
                kind[at, place_of[name]], value[at, place_of[name]] = found
    return (
        Tries(
            fault=np.array([number.get(one.trial.fault, -1) for one in units]),
            partner=np.array([line[one.trial.serial] for one in units]),
            bench=np.array([bench_of(one.trial.serial) for one in units]),
            failed=np.array([one.is_caught for one in units]),
            fold=np.array([bench_of(one.trial.serial) for one in units]),
            kind=kind,
            value=value,
        ),
        faults,
    )
