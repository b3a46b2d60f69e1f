"""What the suite adds on a bench in real time to gates, settling and instruments: a unit over sockets and pty.

In process time passes only when somebody waits, so there a row takes what gates, settling and instruments need and
nothing else. The same unit over the wire at real time takes that and whatever the suite adds. Rows with the operator
are left out: what the simulated person does takes no time over the wire. Two minutes, of which the processor works few
seconds; on a machine that is busy with something else the figures are of that, too.
"""

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from hil.app.check_files import read_files, unit_run_of
from hil.app.settings import read_settings
from hil.runner import plan_unit

HIL = (sys.executable, "-m", "hil")
SERIAL = "QM2-0001"


def _unit(folder: Path, *words: str) -> dict[str, Any]:
    done = subprocess.run((*HIL, "check", SERIAL, "--json", *words), capture_output=True, text=True, cwd=folder)
    assert done.returncode == 0, done.stderr
    unit: dict[str, Any] = json.loads(done.stdout)
    return unit


@pytest.fixture
def wire(tmp_path):
    """A bench file of the simulated bench in real time."""
    words = ("wire", "--speed", "1", "--write", "wire.toml", "--seconds", "600")
    with subprocess.Popen((*HIL, *words), stdout=subprocess.PIPE, text=True, cwd=tmp_path) as served:
        assert served.stdout is not None
        while "Bench file" not in served.stdout.readline():
            pass
        yield "wire.toml"
        served.terminate()


def test_what_the_suite_adds_in_real_time(benchmark, tmp_path, wire):
    planned = plan_unit(unit_run_of(read_files(read_settings({}, folder=tmp_path), today="2026-11-25"))).rows
    alone = {row.name: row.seconds for row in planned if "operator" not in row.needs}
    needed = _unit(tmp_path, "--out", "in-process")
    began_s = time.monotonic()
    taken = benchmark.pedantic(_unit, (tmp_path, "--bench", wire, "--out", "wire"), rounds=1, iterations=1)
    whole_s = time.monotonic() - began_s
    by_need, by_wire = (
        {reading["name"]: reading["seconds"] for reading in unit["readings"]} for unit in (needed, taken)
    )
    need_s = sum(by_need[name] for name in alone)
    rows_s = sum(by_wire[name] for name in alone)
    between_s = taken["actual_seconds"] - sum(by_wire.values())
    benchmark.extra_info.update(
        planned_s=sum(alone.values()),
        needed_s=need_s,
        rows_s=rows_s,
        between_rows_s=between_s,
        before_and_after_s=whole_s - taken["actual_seconds"],
        added=(rows_s + between_s) / need_s - 1,
        added_with_start_and_files=(rows_s + whole_s - sum(by_wire.values())) / need_s - 1,
    )
