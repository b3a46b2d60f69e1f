"""``hil bench`` on a bench that has gone out of control: refused checks, charts, recall, acknowledgement."""

import csv
import io
import json
from pathlib import Path

import pytest

from hil.cli.main import main
from hil.core.ledger import Readiness, ReadinessValue
from hil.store.sqlite_store import SqliteStore


def remembered(folder: Path, values: list[float]) -> None:
    with SqliteStore(str(folder / "simulated.sqlite")) as store:
        for day, value in enumerate(values, start=1):
            one = ReadinessValue(name="golden_5v", value=value, unit="V", verdict="pass", least=0.002)
            time = f"2026-10-{day:02}T08:00:00.000+00:00"
            store.add(
                Readiness(
                    uid=f"r{day}", time=time, bench="simulated", ready=value < 5.01, simulated=True, values=(one,),
                    reason="" if value < 5.01 else "golden_5v: 5.2000 V is not what it was",
                    identities=(("golden_unit", "QM2-GOLD"),),
                )
            )  # fmt: skip


@pytest.fixture
def out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path / "hil-out"


def test_without_a_history_there_is_nothing_to_draw(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--charts"]) == 4
    assert capsys.readouterr().err == (
        "hil: hil-out/simulated.sqlite: there is no such record. Check a unit first, or correct --out.\n"
    )
    SqliteStore(str(out / "simulated.sqlite")).close()
    assert main(["bench", "--recall"]) == 4
    assert (
        "bench 'simulated': was never checked with its golden unit. Run 'hil bench' first." in capsys.readouterr().err
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--json"], "--json goes with --recall."),
        (["--csv", "--charts"], "--csv goes with --recall."),
        (["--of", "golden_5v"], "--of goes with --acknowledge or --new-baseline."),
        (["--recall", "--json", "--csv"], "--json and --csv: one of them at a time."),
        (["--recall", "--charts"], "not allowed with argument"),
    ],
)
def test_options_that_do_not_fit_are_refused(
    out: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert main(["bench", *words]) == 4
    assert said in capsys.readouterr().err


def test_from_a_rule_that_fired_to_a_bench_that_checks_again(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    remembered(out, [4.995, 4.996, 4.994, 4.9955, 4.9945] * 4 + [5.2])
    assert main(["check", "Q2-1"]) == 3
    refused = capsys.readouterr().err
    assert "bench 'simulated' is out of control: golden_5v: individual beyond its limit at 2026-10-21T08:00;" in refused
    with SqliteStore(str(out / "simulated.sqlite")) as store:
        assert store.summaries() == []
    assert main(["bench", "--recall", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["in_control"], found["last_good"], found["units"]) == (False, "2026-10-20T08:00:00.000+00:00", [])
    assert main(["bench", "--recall", "--csv"]) == 0
    assert list(csv.DictReader(io.StringIO(capsys.readouterr().out))) == []
    assert main(["bench", "--recall"]) == 0
    assert "0 units, 0 runs in doubt" in capsys.readouterr().out
    assert main(["bench", "--charts"]) == 0
    assert "OUT OF CONTROL" in capsys.readouterr().out
    assert (out / "bench-simulated-SIMULATED.html").is_file()
    assert main(["bench", "--acknowledge", "supply lead was loose"]) == 4
    assert "--operator NAME" in capsys.readouterr().err
    assert main(["bench", "--acknowledge", "supply lead was loose", "--operator", "A. Example"]) == 0
    assert "the limits stay" in capsys.readouterr().out
    assert main(["check", "Q2-1", "--only", "rail_5v*"]) == 2  # only some rows: incomplete, but no longer refused
