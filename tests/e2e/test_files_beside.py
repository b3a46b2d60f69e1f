"""The process that makes the files of a run beside the bench: what it is told, and how it ends."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.cli.main import main
from hil.store.database import SqliteDatabase
from hil.store.sqlite_store import open_store

CHECK = [sys.executable, "-c", "from hil.cli.main import run; run()", "check"]
FILES = {"report.html", "junit.xml", "readings.csv"}


def _children(process: int) -> list[int]:
    found = subprocess.run(["ps", "-o", "pid=", "--ppid", str(process)], capture_output=True, text=True, check=False)
    return [int(word) for word in found.stdout.split()]


def _lives(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def test_every_unit_has_its_files_and_is_told_in_turn(tmp_path: Path) -> None:
    serials = [f"FB-{number}" for number in range(4)]
    done = subprocess.run(
        [*CHECK, *serials, "--only", "rail_*"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2, done.stderr
    told = [line.split()[0] for line in done.stdout.splitlines() if line.startswith("FB-")]
    assert told == serials
    named = [tmp_path / line.strip() for line in done.stdout.splitlines() if line.startswith("  hil-out")]
    assert len(named) == 6 * len(serials)
    assert all(path.is_file() for path in named)
    for serial in serials:
        (folder,) = (tmp_path / "hil-out" / serial).iterdir()
        assert {path.name for path in folder.iterdir()} >= FILES


def test_a_bench_that_is_killed_leaves_no_process_behind(tmp_path: Path) -> None:
    serials = [f"FB-{number}" for number in range(60)]
    bench = subprocess.Popen([*CHECK, *serials], cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    record = tmp_path / "hil-out" / "simulated.sqlite"
    until = time.monotonic() + 60
    while time.monotonic() < until and not (record.is_file() and list((tmp_path / "hil-out").glob("*/*/*.pdf"))):
        time.sleep(0.1)
    helpers = _children(bench.pid)
    assert helpers
    os.kill(bench.pid, signal.SIGKILL)
    bench.wait()
    until = time.monotonic() + 20
    while time.monotonic() < until and any(map(_lives, helpers)):
        time.sleep(0.1)
    assert [one for one in helpers if _lives(one)] == []
    with open_store(str(record), read_only=True) as store:
        assert any(summary.is_closed for summary in store.summaries())


def test_the_files_are_made_from_the_record_that_the_settings_name(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The store keeps the address of a shared record without its password, for messages; it opens nothing."""
    asked: list[str] = []

    def apart(where: str, *_: object, **__: object) -> Callable[[], tuple[Path, ...]]:
        asked.append(where)
        return tuple

    masked = property(lambda self: "without the password", lambda self, where: None)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(SqliteDatabase, "where", masked, raising=False)
    monkeypatch.setattr("hil.app.file_maker.files_apart", apart)
    monkeypatch.setattr("hil.app.file_maker.load_apart", lambda load: None)
    assert main(["check", "FB-1", "--only", "rail_*"]) == 2
    assert asked == ["hil-out/simulated.sqlite"]
