"""How fast an ELF is checked: bench seconds of a full check against processor seconds, both processes together."""

import resource
import time
from pathlib import Path

from hil.app.measure_firmware import Task, measure_once
from hil.app.settings import read_settings
from hil.runner import run_unit

FIRMWARE = Path(__file__).parents[2] / "fixtures" / "firmware" / "qm2.elf"


def _processor_s() -> float:
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def test_full_check_of_an_elf(benchmark, tmp_path) -> None:
    task = Task(
        firmware=str(FIRMWARE),
        serial="QM2-00017",
        repeat=0,
        settings=read_settings({}, folder=tmp_path),
        seed=1,
        now="2026-11-25T05:00:00.000+00:00",
    )
    ratios = []

    def check() -> None:
        started_s = _processor_s()
        run = measure_once(task, run_unit)
        assert run.closed is not None
        assert run.verdict == "PASS"
        ratios.append(run.closed.actual_seconds / (_processor_s() - started_s))

    benchmark.pedantic(check, rounds=3, iterations=1)
    benchmark.extra_info["times_faster_than_real_time_on_one_core"] = sorted(ratios)[1]
