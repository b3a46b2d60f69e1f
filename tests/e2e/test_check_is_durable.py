"""A check killed at any moment: what was judged before is in the record, and no run is wrongly complete.

The checks of `hil check` run in a process of their own, which tells a pipe of each reading as soon as its judgement has
returned. It is killed (SIGKILL) at random moments from the opening of the run to well behind its end. One warm process
forks all of them: what is killed are checks and not imports.
"""

import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from hil.core.records import UnitVerdict
from hil.store.sqlite_store import SqliteStore

CHECKER = """
import os, sys, tempfile
from hil.app.budgets import budgets_of
from hil.app.check_unit import Order, check_units
from hil.cli.run_files import make
from hil.app.settings import read_settings
from hil.app.unit_run import Unwatched
from hil.real.wallclock import WallClock
from hil.runner import run_unit

def say(*words):
    os.write(1, (" ".join(words) + "\\n").encode())

class Told(Unwatched):
    def planned(self, serial, plan, *, simulated): say("open", str(os.getpid()))
    def judged(self, reading): say("read", reading.name)
    def finished(self, closed): say("close", closed.verdict)

def check(serial, out, files=True):
    order = Order(serials=(serial,), settings=read_settings({{"out": out}}), only={only!r},
                  now=WallClock().now())
    def after(run, store, folder, now):
        made = make(run, store, folder, now)
        return lambda: made
    for _ in check_units(order, run_unit, live=Told(), budget_for=budgets_of, after=after if files else None):
        pass
    say("files")

keep = os.dup(1); null = os.open(os.devnull, os.O_WRONLY); os.dup2(null, 1)
with tempfile.TemporaryDirectory() as scratch:
    check("WARM-1", scratch, files=False)  # the typesetter's threads would not survive the fork
os.dup2(keep, 1)
say("ready")
for line in sys.stdin:
    child = os.fork()
    if child == 0:
        check(line.strip(), {out!r})
        os._exit(0)
    os.waitpid(child, 0)
    say("gone")
"""


def _killed_after(checker, serial, delay_s, kill, moments=None):
    checker.stdin.write(f"{serial}\n")
    checker.stdin.flush()
    told = []
    for line in checker.stdout:
        words = line.split()
        if moments is not None and words[0] in ("open", "close"):
            moments.append(time.monotonic())
        if words[0] == "open":
            time.sleep(delay_s)
            kill(int(words[1]))
        elif words[0] == "gone":
            return told
        else:
            told.append(words)
    raise AssertionError("the checker itself is gone")


def _kill(pid):
    with suppress(ProcessLookupError):  # it was done already
        os.kill(pid, signal.SIGKILL)


@pytest.mark.parametrize(
    ("kills", "only"), [(2, "rail*"), pytest.param(100, "", marks=pytest.mark.study)], ids=["short", "whole"]
)
def test_a_check_killed_at_random_moments(tmp_path, kills, only):
    script = CHECKER.format(out=str(tmp_path), only=only)
    chance = random.Random("kill a check")
    told = {}
    with subprocess.Popen([sys.executable, "-c", script], stdin=-1, stdout=-1, text=True) as checker:
        try:
            assert checker.stdout is not None
            assert checker.stdout.readline() == "ready\n"
            moments = []
            whole = _killed_after(checker, "WHOLE-0", 0, lambda pid: None, moments)
            lasts_s = moments[-1] - moments[0]
            assert whole[-1] == ["files"]
            for number in range(kills):
                delay_s = chance.uniform(0, (1.2 if kills > 10 else 0.8) * lasts_s)
                told[f"KILL-{number}"] = _killed_after(checker, f"KILL-{number}", delay_s, _kill)
        finally:
            checker.kill()
    _holds_what_was_told(tmp_path / "simulated.sqlite", told, planned=len(whole) - 2)


def _holds_what_was_told(record: Path, told, *, planned):
    with SqliteStore(str(record)) as store:
        assert store.database.query("PRAGMA integrity_check") == [("ok",)]
        runs = {one.serial: one for one in store.summaries()}
        assert set(told) <= set(runs)
        cut_short = 0
        for serial, words in told.items():
            names = [one.name for one in store.run(runs[serial].run).readings]
            returned = [name for what, *name in words if what == "read" for name in name]
            assert names[: len(returned)] == returned
            assert len(names) <= len(returned) + 1  # at most the one whose judgement was about to return
            closed = any(what == "close" for what, *_ in words)
            assert not closed or runs[serial].is_closed
            if runs[serial].verdict is not UnitVerdict.INCOMPLETE:
                assert len(names) == planned
            cut_short += len(names) < planned
        assert cut_short
