"""Diagnoses simulated units whose fault is drawn by weight, and follows the probes that the diagnosis suggests.

python study_diagnosis.py fresh 0 100       units 0 to 99: serial numbers and strengths that no dictionary was made from
python study_diagnosis.py perturbed 0 50    jig capacitance, delay, Q(f) and temperature as no dictionary knows them
python study_diagnosis.py double 0 50       two faults at once

Faults are drawn by weight from the whole universe. One JSON line a unit, with its readings; those that pass are not
diagnosed, as nobody would ask. The technician measures through the bench: the unit is in the jig, the simulated
operator holds the probe, voltmeter and counter are read.
"""

import json
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import hil.app.simulated as simulated
from hil.app.coverage import Work, files_for_trials
from hil.app.dictionary_file import dictionary_path, load_dictionary
from hil.app.learn_faults import board_of
from hil.app.locate import load_bench, load_kit
from hil.app.open_bench import Bench, open_bench
from hil.app.power import Power
from hil.app.probe_model import points_of
from hil.app.settings import read_settings
from hil.circuit.universe import PossibleFault, varied
from hil.core.causes import diagnose
from hil.core.coverage import Trial, Tried
from hil.core.diagnosis import OVER_RANGE_OHM, Dictionary, Seen
from hil.core.records import Verdict
from hil.runner import BoardSession

NOW = "2026-11-25T05:00:00.000+00:00"
PROBES = 2
BENCHES = (0, 100, 101, 102)


def draw(tag: str, number: int, possible: tuple[PossibleFault, ...]) -> PossibleFault:
    """A fault by weight."""
    return random.Random(f"{tag}{number}").choices(possible, weights=[one.weight for one in possible])[0]


def faults_of(kind: str, number: int, possible: tuple[PossibleFault, ...], netlist: Any) -> dict[str, str]:
    """Name in the universe -> fault as it is made."""
    first = draw(kind, number, possible)
    found = {first.text: varied(first, netlist, random.Random(f"{kind}{number}/strength").random())}
    attempt = 0
    while kind == "double" and len(found) < 2:
        second = draw(f"{kind}{attempt}/second", number, possible)
        if not set(second.fault.components) & set(first.fault.components):
            found[second.text] = varied(second, netlist, 0.5)
        attempt += 1
    return found


def perturb() -> None:
    """Make boards and room of this process others than any dictionary was made from."""
    read_text, setup_of = simulated.read_text, simulated.setup_of

    def changed(path: Path) -> str:
        text = read_text(path)
        if path.parent.name == "boards":
            for before, after in (
                ('model.loss_exponent = "1.5" # of', 'model.loss_exponent = "1.0" # of'),
                ('parameter.q = { value = "80"', 'parameter.q = { value = "72"'),
                ('value = "90 ns"', 'value = "105 ns"'),
                ('model.common_mode_headroom = "1.2 V"', 'model.common_mode_headroom = "1.35 V"'),
            ):
                assert before in text, before
                text = text.replace(before, after)
        return text

    simulated.read_text = changed  # type: ignore[assignment]
    simulated.setup_of = lambda spec, kit: replace(setup_of(spec, kit), ambient_degc=26.5)


def measured(bench: Bench, power: Power, probe: str) -> float:
    """What a technician reads."""
    assert bench.voltmeter is not None
    if probe.startswith("resistance"):
        power.off()
        bench.operator.probe(points_of(probe))
        return min(bench.voltmeter.resistance_ohm(), OVER_RANGE_OHM)
    power.on()
    bench.operator.probe(points_of(probe))
    if probe.startswith("frequency"):
        assert bench.counter is not None
        return bench.counter.frequency_hz()
    return bench.voltmeter.voltage_v()


def places(
    known: Dictionary, faults: set[str], read: dict[str, tuple[Seen, bool, bool]], measure: Callable[[str], float]
) -> Iterator[dict[str, Any]]:
    """Place of a true cause and what was believed, before any probe and after each."""
    for turn in range(PROBES + 1):
        found = diagnose(known, read, most=50)
        place = next((at for at, cause in enumerate(found.causes) if faults & set(cause.faults)), 99)
        shares = [round(cause.probability, 4) for cause in found.causes]
        first = found.causes[0].faults[0]
        group = known.groups[known.faults.index(first)]
        is_in_group = any(known.groups[known.faults.index(one)] == group for one in faults if one in known.faults)
        yield {
            "place": place,
            "group_is_first": is_in_group,
            "shares": shares[:5],
            "none": round(found.none, 4),
            "first": first,
        }
        if turn < PROBES and found.next_probe is not None:
            name = found.next_probe.name
            read = {**read, name: (measure(name), True, True)}


def main(kind: str, first: int, count: int) -> None:
    """All units of a bench one after the other, bench by bench."""
    if kind == "perturbed":
        perturb()
    _, netlist, possible = board_of("qm2")
    settings = read_settings({"scope": "full"})
    files = files_for_trials(settings, NOW[:10])
    for place, seed in enumerate(BENCHES):
        work = Work(settings=settings, files=files, open_session=BoardSession, now=NOW, seed=seed)
        trials = [
            Trial(
                fault=" ".join(made := faults_of(kind, number, possible, netlist)),
                number=number,
                serial=f"QM2-8{number:05d}",
                made=" ".join([*made.values(), *beside(kind, number)]),
            )
            for number in range(first, first + count)
            if number % len(BENCHES) == place
        ]
        for one in list(work(trials)):  # one bench at a time in a process: all are checked before any is probed
            print(json.dumps(diagnosed(one, seed)), flush=True)


def beside(kind: str, number: int) -> list[str]:
    """What else is put in: a jig as no dictionary knows it."""
    return [f"bench.jig.capacitance=+{0.2 + 0.1 * (number % 6):.1f}pF"] if kind == "perturbed" else []


def diagnosed(unit: Tried, seed: int) -> dict[str, Any]:
    """What is printed of a unit."""
    faults = unit.trial.fault.split()
    line: dict[str, Any] = {"number": unit.trial.number, "faults": faults, "verdict": str(unit.verdict)}
    if not unit.is_caught:
        return line
    read: dict[str, tuple[Seen, bool, bool]] = {
        name: (one.value, one.verdict is not Verdict.NOT_MEASURED, one.verdict is Verdict.PASS)
        for name, one in unit.readings.items()
    }
    spec = load_bench("simulated")
    with open_bench(spec, load_kit(spec.kit, today=NOW[:10]), board="qm2", seed=seed) as bench:
        bench.insert(unit.trial.serial, attempt=2, faults=unit.trial.made.split())
        power = Power(bench)
        known = load_dictionary(dictionary_path("qm2"))
        line["turns"] = list(places(known, set(faults), read, lambda name: measured(bench, power, name)))
        power.off()
    return line | {"readings": read}


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
