"""Killed at any moment: what was said to be recorded is recorded, and no run is wrongly complete."""

import os
import random
import signal
import subprocess
import sys
import time

import pytest

from hil.core.records import UnitVerdict
from hil.store.sqlite_store import SqliteStore

WRITER = """
import os, sys
from dataclasses import replace
sys.path.insert(0, {folder!r})
from conftest import CLOSED, OPENED, READING
from hil.store.sqlite_store import SqliteStore

store = SqliteStore({where!r})
names = [f"r{{index}}" for index in range(20)]
for number in range({first}, 100_000):
    run = f"R{{number}}"
    store.open_run(replace(OPENED, run=run, planned=tuple(names)))
    os.write(1, f"open {{run}}\\n".encode())
    for name in names:
        store.append(run, replace(READING, name=name))
        os.write(1, f"read {{run}} {{name}}\\n".encode())
    store.close_run(replace(CLOSED, run=run, planned=20, judged=20))
    os.write(1, f"close {{run}}\\n".encode())
"""


def _told_until_killed(where, first, delay_s):
    folder = os.path.join(os.path.dirname(__file__), os.pardir, "unit")
    script = WRITER.format(folder=os.path.abspath(folder), where=where, first=first)
    process = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE)
    assert process.stdout is not None
    told = [process.stdout.readline()]  # it writes now
    time.sleep(delay_s)
    process.send_signal(signal.SIGKILL)
    told += process.stdout.readlines()
    process.wait()
    return [line.decode().split() for line in told if line.endswith(b"\n")]


@pytest.mark.parametrize("kills", [4, pytest.param(100, marks=pytest.mark.study)])
def test_kill_at_random_moments(tmp_path, kills):
    where = str(tmp_path / "records.sqlite")
    chance = random.Random("kill")
    read: dict[str, list[str]] = {}
    closed: set[str] = set()
    for kill in range(kills):
        for what, run, *name in _told_until_killed(where, kill * 1000, chance.uniform(0.0, 0.15)):
            read.setdefault(run, []).extend(name)
            if what == "close":
                closed.add(run)
    with SqliteStore(where) as store:
        assert store.database.query("PRAGMA integrity_check") == [("ok",)]
        summaries = {one.run: one for one in store.summaries()}
        assert set(read) <= set(summaries)
        for run, summary in summaries.items():
            names = [one.name for one in store.run(run).readings]
            told = read.get(run, [])
            assert names[: len(told)] == told
            assert len(names) <= len(told) + 1  # at most the one whose answer was cut off
            assert run not in closed or summary.is_closed
            if summary.verdict is not UnitVerdict.INCOMPLETE:
                assert len(names) == 20
        assert any(not one.is_closed for one in summaries.values())
