"""Long studies: a population of good units, and every two-terminal component open and shorted."""

import csv
import json
import math
import os
import re
import statistics
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from hil.app.locate import locate, read_text
from hil.core.units import parse_quantity
from hil.files.limits import parse_limits
from hil.files.netlist import parse_netlist

pytestmark = pytest.mark.study

HERE = Path(__file__).parent
TABLE = HERE.parent / "data" / "open_and_short.csv"
LIMITS = parse_limits("limits/qm2.toml", read_text(locate("limits", "qm2")))
SERIALS = [f"QM2-{number:05d}" for number in range(1, 501)]
MOST_FAILING = 16

# Good boards that fail, and why: every one of them is told by its components' values.
EXPLAINED = {
    "QM2-00456": "c_1u 2.2 % low: U4.noise at +2.99 and the resistance of L1 at +2.43 standard deviations; at 1 µF the "
    "amplitude is a few mV and the noise makes extra counts",
}


def check(units: Sequence[str], scope: str = "full") -> list[dict[str, Any]]:
    """Check units on all processors; what `study_units.py` says of each, in their order."""
    count = os.cpu_count() or 1
    script = str(HERE / "study_units.py")
    processes = [
        subprocess.Popen([sys.executable, script, scope, *units[first::count]], stdout=subprocess.PIPE, text=True)
        for first in range(min(count, len(units)))
    ]
    found: dict[str, dict[str, Any]] = {}
    for process in processes:
        said, _ = process.communicate()
        assert process.returncode == 0
        for line in map(json.loads, said.splitlines()):
            found[line["serial"]] = line
    return [found[unit.partition("=")[0]] for unit in units]


@pytest.fixture(scope="module")
def population() -> list[dict[str, Any]]:
    return check(SERIALS)


def test_good_boards_pass(population: list[dict[str, Any]]) -> None:
    """500 serial numbers fixed in advance: at most 16 fail, each of them explained."""
    assert len(population) == len(SERIALS)
    failing = {unit["serial"]: unit["failed"] for unit in population if unit["verdict"] != "PASS"}
    assert all(unit["verdict"] in ("PASS", "FAIL") for unit in population)
    assert len(failing) <= MOST_FAILING, failing
    assert set(failing) == set(EXPLAINED), failing


SAID = re.compile(r"netlist: mean (.+?), standard deviation (.+?) over 500 drawn boards")
DIGITS = re.compile(r"two readings of a supply with a digit of (.+)$")
DERIVED = [(row, said) for row in LIMITS.rows if (said := SAID.search(row.reason))]


def test_derived_limits_are_what_their_reasons_say(population: list[dict[str, Any]]) -> None:
    """Mean and standard deviation of the drawn boards, as written beside each derived limit."""
    assert len(DERIVED) >= 20
    for row, said in DERIVED:
        values = [unit["readings"][row.name] for unit in population if unit["readings"].get(row.name) is not None]
        mean, deviation = statistics.fmean(values), statistics.stdev(values)
        said_mean, said_deviation = (parse_quantity(text)[0] for text in said.groups())
        assert abs(mean - said_mean) < 0.2 * deviation, row.name
        digit = DIGITS.search(row.reason)
        # Rounded readings scatter more than the boards, by as much as two whole digits at most.
        rounding = parse_quantity(digit[1])[0] * math.sqrt(2 / 12) if digit else 0.0
        assert deviation / said_deviation > 0.9, row.name
        assert deviation < 1.1 * math.hypot(said_deviation, rounding), row.name
        # Wide enough for every good board, close enough to be worth having.
        for edge in (row.lower, row.upper):
            if edge is not None:
                assert 3 < abs(edge - mean) / deviation < 80, row.name


def test_every_two_terminal_component_open_and_shorted(pytestconfig: pytest.Config) -> None:
    """Which check catches what; what none catches, and why, stands in the table itself.

    With --keep-tables the table is written anew; why a fault is not caught stays as somebody wrote it.
    """
    board = locate("board", "qm2")
    netlist = parse_netlist("qm2", read_text(board))
    faults = [
        f"{part.designator}={effect}"
        for part in netlist.components
        if len(part.pins) == 2 and part.kind != "connector"
        for effect in ("open", "short")
    ]
    units = check([f"QM2-9{number:04d}={fault}" for number, fault in enumerate(faults)])
    with TABLE.open(newline="") as lines:
        table = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    found = [
        (fault, unit["verdict"], unit["failed"][0] if unit["failed"] else "")
        for fault, unit in zip(faults, units, strict=True)
    ]
    if pytestconfig.getoption("--keep-tables"):
        _keep(found, {row["fault"]: row["why_not"] for row in table})
        return
    assert found == [(row["fault"], row["verdict"], row["caught_by"]) for row in table]
    assert all(row["caught_by"] or row["why_not"] for row in table)
    assert all(unit["exit_code"] in (0, 1) for unit in units), "no fault of a board is trouble of the bench"


def _keep(found: Sequence[tuple[str, str, str]], why_not: dict[str, str]) -> None:
    with TABLE.open("w", newline="") as lines:
        lines.write("# Every two-terminal component open and shorted, and the first reading that fails.\n")
        writer = csv.writer(lines, lineterminator="\n")
        writer.writerow(("fault", "verdict", "caught_by", "why_not"))
        for fault, verdict, caught_by in found:
            writer.writerow((fault, verdict, caught_by, "" if caught_by else why_not.get(fault, "")))
