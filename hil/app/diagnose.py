"""Diagnose a failing run: what its readings say of the cause, what a probe adds, what reworks have confirmed.

The diagnosis is written to the record, so that lot figures can count causes and reworks that helped can teach how often
faults happen.
"""

import hashlib
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hil.app.dictionary_file import dictionary_path, load_dictionary, refuse_other
from hil.app.fault_universe import universe_of
from hil.app.locate import label_of, netlist_sha256
from hil.core import confirmed as confirming
from hil.core.causes import Diagnosis, diagnose
from hil.core.diagnosis import OVER_RANGE_OHM, Dictionary, Floats, Seen
from hil.core.ledger import Diagnosed, Rework
from hil.core.records import Run, UnitVerdict, Verdict
from hil.core.units import parse_quantity
from hil.errors import UsageError
from hil.files.located import did_you_mean
from hil.store.sqlite_store import RecordStore

KINDS = {"V": "voltage", "ohm": "resistance", "Hz": "frequency"}
UNITS = {kind: unit for unit, kind in KINDS.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """A run with its diagnosis.

    Args:
        probes: what was measured besides its readings, (name, value).
        confirmed: how many confirmed reworks the prior rests on besides the weights file.
    """

    run: Run
    diagnosis: Diagnosis
    probes: tuple[tuple[str, float], ...] = ()
    confirmed: int = 0

    def unit_of(self, row: str) -> str:
        """Unit of a reading or a probe."""
        for reading in self.run.readings:
            if reading.name == row:
                return reading.unit
        return UNITS.get(row.partition(" ")[0], "")


def explain(
    run: Run,
    *,
    probes: Sequence[tuple[str, float]] = (),
    store: RecordStore | None = None,
    path: Path | None = None,
) -> Explained:
    """Rank the causes of a failing run.

    Args:
        probes: what was measured since, (name as in the dictionary, value).
        store: the record whose confirmed reworks count; None: the weights file alone.
        path: the dictionary; None: the shipped one of the run's board.

    Raises:
        UsageError: the run did not fail, was recorded with another netlist, limits or firmware than the dictionary, or
            there is no dictionary.
    """
    if run.verdict is UnitVerdict.PASS:
        raise UsageError(f"{run.opened.run}: passed, so there is nothing to diagnose.")
    if not any(reading.verdict is Verdict.FAIL for reading in run.readings):
        raise UsageError(f"{run.opened.run}: no reading failed, so there is nothing to diagnose. Check the unit again.")
    where = path or dictionary_path(run.opened.board)
    dictionary = load_dictionary(where)
    facts = dict(run.closed.facts) if run.closed is not None else {}
    refuse_other(dictionary, run.opened, facts, label=label_of(where))
    dictionary = replace(dictionary, weights=weights_now(dictionary))
    weights, count = weights_after(dictionary, store)
    seen: dict[str, tuple[Seen, bool, bool]] = dict(_readings(run))
    seen |= {name: (value, True, True) for name, value in probes}
    return Explained(
        run=run, diagnosis=diagnose(dictionary, seen, weights=weights), probes=tuple(probes), confirmed=count
    )


def _readings(run: Run) -> Iterable[tuple[str, tuple[Seen, bool, bool]]]:
    for reading in run.readings:
        tried = reading.verdict is not Verdict.NOT_MEASURED
        yield reading.name, (reading.value, tried, reading.verdict is Verdict.PASS)


def weights_now(dictionary: Dictionary) -> Floats:
    """How often faults happen by the weights file as it is now, which may have been edited since the learning.

    Raises:
        UsageError: the file is wrong, or gives none of the faults any weight.
    """
    board = dictionary.about["board"]
    if netlist_sha256(board) != dictionary.about["netlist_sha256"]:
        return dictionary.weights  # the file is for a board that this dictionary does not know
    weight = {one.text: one.weight for one in universe_of(board)[1]}
    found = np.array([weight.get(fault, 0.0) for fault in dictionary.faults])
    return np.asarray(found / found.sum())


def weights_after(dictionary: Dictionary, store: RecordStore | None) -> tuple[Floats, int]:
    """How often faults happen, and how many confirmed reworks are in that."""
    found = () if store is None else confirmed_causes(store)
    counted = confirming.counts(dictionary.faults, dictionary.weights, found)
    return confirming.updated(dictionary.weights, counted), round(float(counted.sum()))


def confirmed_causes(store: RecordStore) -> tuple[confirming.Confirmed, ...]:
    """Reworks after which a diagnosed unit passed."""
    found = []
    for diagnosed in recorded(store).values():
        runs = store.summaries(serial=diagnosed.serial)
        place = next((number for number, one in enumerate(runs) if one.run == diagnosed.run), None)
        if place is None:
            continue
        retest = next((one for one in runs[place + 1 :] if one.only == "" and one.is_complete), None)
        if retest is None or retest.verdict is not UnitVerdict.PASS:
            continue
        since = [one for one in store.entries(Rework, subject=diagnosed.serial) if one.after_run == diagnosed.run]
        components = tuple(dict.fromkeys(one.target for one in since if one.target))
        if components:
            causes = tuple((tuple(alike.split(" | ")), share) for alike, share, _ in diagnosed.causes)
            found.append(confirming.Confirmed(components=components, causes=causes))
    return tuple(found)


def recorded(store: RecordStore) -> dict[str, Diagnosed]:
    """The latest diagnosis of every run that has one, by run; `Diagnosed.first` is its likeliest cause."""
    return {entry.run: entry for entry in store.entries(Diagnosed)}


def record(store: RecordStore, explained: Explained, *, now: str, author: str = "") -> Diagnosed:
    """Write a diagnosis to the record.

    Raises:
        BenchError: it could not be written.
    """
    run = explained.run.opened
    where = dictionary_path(run.board)
    entry = Diagnosed(
        uid=f"{run.run}-{secrets.token_hex(3)}",
        time=now,
        author=author,
        run=run.run,
        serial=run.serial,
        causes=tuple(
            (" | ".join(cause.faults), round(cause.probability, 6), round(cause.prior, 8))
            for cause in explained.diagnosis.causes
        ),
        none=round(explained.diagnosis.none, 6),
        probes=explained.probes,
        dictionary=hashlib.sha256(where.read_bytes()).hexdigest() if where.is_file() else "",
    )
    store.add(entry)
    return entry


def diagnose_recorded(
    store: RecordStore, text: str, *, probed: Sequence[str] = (), forget: bool = False, now: str, author: str = ""
) -> Explained:
    """Diagnose a run of the record, with what was probed before and now, and record what comes of it.

    Args:
        text: the run, the beginning of one, or a serial number.
        probed: probes as typed.
        forget: what was probed before does not count.

    Raises:
        UsageError: as for `explain`, `parse_probes`; no such run.
    """
    run = store.run(store.find_run(text))
    before = store.entries(Diagnosed, subject=run.opened.run)
    known = dict(before[-1].probes) if before and not forget else {}
    if probed:
        known |= dict(parse_probes(probed, run.opened.board))
    explained = explain(run, probes=tuple(known.items()), store=store)
    record(store, explained, now=now, author=author)
    return explained


def parse_probes(texts: Iterable[str], board: str) -> tuple[tuple[str, float], ...]:
    """Probes as typed, ``U3.4=4.99 V`` or ``R5=10 kohm``, under the names of the dictionary.

    The unit tells what was measured: V with the unit on at nominal supply, Hz likewise, ohm across a component with
    power off; ``R5=inf ohm`` is over range.

    Raises:
        UsageError: no value with a unit, or a point the dictionary does not know.
    """
    known = load_dictionary(dictionary_path(board))
    names = set(known.rows[known.readings :])
    return tuple(_probe(text, names) for text in texts)


def _probe(text: str, names: set[str]) -> tuple[str, float]:
    point, equals, amount = (piece.strip() for piece in text.partition("="))
    is_over = amount.lower().startswith("inf")
    try:
        value, unit = (OVER_RANGE_OHM, amount[3:].strip()) if is_over else parse_quantity(amount)
    except ValueError as problem:
        raise UsageError(f"--probe '{text}': {problem}. Write POINT=VALUE, such as 'U3.4=4.99 V'.") from None
    if not equals or unit not in KINDS:
        raise UsageError(
            f"--probe '{text}': write POINT=VALUE with V, ohm or Hz, such as 'U3.4=4.99 V' or 'R5=1 kohm'."
        )
    if is_over and unit != "ohm":
        raise UsageError(f"--probe '{text}': only a resistance can be over range. Write what the meter shows.")
    if value < 0 and unit != "V":
        raise UsageError(f"--probe '{text}': less than zero. Exchange the leads, or write what the meter shows.")
    name = point if point.partition(" ")[0] in UNITS else f"{KINDS[unit]} {point}"
    if name not in names:
        raise UsageError(f"--probe '{text}': the dictionary knows no {name}. {did_you_mean(name, names)}")
    return name, value


def as_json(explained: Explained) -> Mapping[str, object]:
    """The diagnosis as plain values."""
    found, run = explained.diagnosis, explained.run.opened
    probe = found.next_probe
    return {
        "format": 1,
        "run": run.run,
        "serial": run.serial,
        "simulated": run.simulated,
        "causes": [
            {
                "faults": cause.faults,
                "components": cause.components,
                "probability": cause.probability,
                "prior": cause.prior,
                "shipped_prior": cause.shipped_prior,
                "for": [one.row for one in cause.speaks_for],
                "against": [one.row for one in cause.speaks_against],
            }
            for cause in found.causes
        ],
        "none_of_these": found.none,
        "confirmed_reworks": explained.confirmed,
        "probes": dict(explained.probes),
        "next_probe": None
        if probe is None
        else {
            "name": probe.name,
            "information_bit": probe.information_bit,
            "entropy_bit": probe.entropy_bit,
            "expected": [
                {"fault": one.fault, "value": one.value, "lower": one.lower, "upper": one.upper}
                for one in probe.expected
            ],
        },
    }
