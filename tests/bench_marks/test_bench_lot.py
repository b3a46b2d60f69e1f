"""The report of a lot of 10 000 units of 80 readings: wanted below 6 s and 600 MB, and no worse than linear in rows.

`hil lot` runs in a process of its own, imports included, so that its memory can be told from that of the test.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench_marks.lot_store import write_lot

MOST_BYTES = 600e6


def report(folder: Path) -> None:
    """Run the command; fails when it needs more memory than allowed."""
    pid = os.posix_spawn(
        sys.executable,
        [sys.executable, "-m", "hil", "lot", "big", "--simulated", "--out", str(folder)],
        dict(os.environ),
        file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)],
    )
    _, status, usage = os.wait4(pid, 0)
    assert os.waitstatus_to_exitcode(status) == 0
    assert usage.ru_maxrss * 1024 < MOST_BYTES


@pytest.mark.parametrize("units", [1000, 10_000])
def test_lot_report(benchmark, tmp_path, units):
    write_lot(tmp_path / "simulated.sqlite", units=units)
    benchmark.pedantic(report, (tmp_path,), rounds=3)
    assert (tmp_path / "lot-big-SIMULATED.html").is_file()


def test_import_of_a_command_without_figures(benchmark):
    """What every command pays before it does anything."""
    words = [sys.executable, "-m", "hil", "rework", "--help"]
    benchmark.pedantic(lambda: subprocess.run(words, check=True, stdout=subprocess.DEVNULL), rounds=5)
