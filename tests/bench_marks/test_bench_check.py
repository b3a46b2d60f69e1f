"""`hil check` on the simulated bench, everything included: a unit from a cold start, and each further unit of a call.

Wall-clock time, as somebody waits: on two idle cores, or it says little.
"""

import subprocess
import sys
from collections.abc import Sequence
from itertools import count
from pathlib import Path

FURTHER = 12
_numbers = count(1)


def checked(folder: Path, serials: Sequence[str]) -> None:
    call = [sys.executable, "-c", "from hil.cli.main import run; run()", "check", *serials, "--out", str(folder)]
    assert subprocess.run(call, capture_output=True, check=False).returncode == 0


def serials(units: int) -> list[str]:
    return [f"BM-{next(_numbers):05d}" for _ in range(units)]


def test_a_unit_from_a_cold_start(benchmark, tmp_path: Path) -> None:
    benchmark.pedantic(lambda: checked(tmp_path, serials(1)), rounds=5, warmup_rounds=1)


def test_a_unit_and_further_ones(benchmark, tmp_path: Path) -> None:
    """Less the time of the test before, this is `FURTHER` units."""
    benchmark.extra_info["further units"] = FURTHER
    benchmark.pedantic(lambda: checked(tmp_path, serials(1 + FURTHER)), rounds=3, warmup_rounds=1)
