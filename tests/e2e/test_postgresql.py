"""The same record in PostgreSQL, for several benches. Needs the server's programs; .ci/run installs them."""

import math
import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from hil.core.ledger import Rework
from hil.core.records import UnitVerdict, Verdict
from hil.errors import BenchError, UsageError
from hil.store.queries import VERDICTS
from hil.store.sqlite_store import open_store

BIN = next((path.parent for path in sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)), None)
pytestmark = pytest.mark.skipif(BIN is None and shutil.which("initdb") is None, reason="PostgreSQL is not installed")


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pg")
    programs = BIN or Path(shutil.which("initdb")).parent
    as_user = {"user": "postgres"} if os.geteuid() == 0 else {}  # the server refuses to run as root
    if as_user:
        for path in (folder, *folder.parents):
            if path.owner() == "root" and path != Path("/") and path.stat().st_mode & 0o005 != 0o005:
                path.chmod(path.stat().st_mode | 0o055)
        shutil.chown(folder, "postgres")
    data = folder / "data"
    quiet = {"stdout": subprocess.DEVNULL, "cwd": folder, **as_user}
    subprocess.run([programs / "initdb", "-D", data, "-A", "trust", "-U", "hil", "-N"], check=True, **quiet)
    options = f"-k {folder} -c listen_addresses= -c fsync=off"
    command = [programs / "pg_ctl", "-D", data, "-o", options, "-l", folder / "log", "-w"]
    subprocess.run([*command, "start"], check=True, **quiet)
    yield f"postgresql://hil@/postgres?host={folder}"
    subprocess.run([*command, "-m", "immediate", "stop"], check=True, **quiet)


@pytest.fixture
def values():
    from tests.unit.conftest import CLOSED, OPENED, READING

    return replace(OPENED, simulated=False, seed=None), replace(READING, simulated=False), CLOSED


def test_two_benches_share_a_record(server, values):
    opened, reading, closed = values
    with open_store(server) as west, open_store(server) as east:
        west.open_run(opened)
        east.open_run(replace(opened, run="R2", bench="east", serial="QM2-00002"))
        for name in ("a", "b"):
            west.append("R1", replace(reading, name=name))
            east.append("R2", replace(reading, name=name, verdict=Verdict.FAIL, reason="why"))
        west.append("R1", replace(reading, name="c", value="text", expected="text", unit=""))
        west.close_run(closed)
        east.close_run(replace(closed, run="R2", verdict=UnitVerdict.FAIL))
        run = east.run("R1")
        assert run.opened == opened
        assert run.readings[0] == reading
        assert [one.value for one in run.readings] == [1.5, 1.5, "text"]
        assert run.closed == closed
        assert [one.run for one in west.summaries(bench="east")] == ["R2"]
        assert west.next_attempt("QM2-00002") == 2
        assert west.columns("verdict", "value") == {"verdict": [0, 0, 0, 1, 1], "value": [1.5, 1.5, None, 1.5, 1.5]}
        numbers = list(west.numbers("key", "value"))
        assert [key % VERDICTS for key in numbers[::2]] == [0, 0, 0, 1, 1]
        assert numbers[1::2] == [1.5, 1.5, math.inf, 1.5, 1.5]
        assert west.texts("a") == [(2, "why")]
        rework = Rework(uid="1", time="2026-11-25T11:00:00Z", serial="QM2-00002", action="resoldered", target="R5")
        west.add(rework)
        assert east.entries(Rework, subject="QM2-00002") == (rework,)
        with pytest.raises(BenchError, match="run R1 is closed; nothing can be added"):
            east.append("R1", replace(reading, name="d"))
        with pytest.raises(UsageError, match="holds real runs, and this one is simulated"):
            east.open_run(replace(opened, run="R3", simulated=True))


def test_no_server():
    with pytest.raises(BenchError, match=r"^postgresql://bench@/hil\?host=/nowhere: the record cannot be opened"):
        open_store("postgresql://bench:secret@/hil?host=/nowhere")


def test_an_unknown_kind_of_record():
    with pytest.raises(UsageError, match=r"a record is a path or postgresql://"):
        open_store("mysql://x")
