"""A failing unit from its check to its diagnosis, a probe, a rework and a retest that confirms the cause."""

import dataclasses
import json
import shutil
from pathlib import Path

import pytest
from pypdf import PdfReader

from hil.app.diagnose import confirmed_causes, explain, recorded
from hil.app.dictionary_file import dictionary_path, load_dictionary, packed, unpacked
from hil.app.locate import FOLDERS, load_limits, netlist_sha256
from hil.cli.main import main
from hil.core.records import Run
from hil.errors import UsageError
from hil.store.sqlite_store import open_store

FAULTY, GOOD = "QM2-00011", "QM2-00012"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A unit with an open fuse and a good one, checked."""
    folder = tmp_path_factory.mktemp("diagnosis")
    assert main(["check", FAULTY, "--out", str(folder), "--fault", "F1=open"]) == 1
    assert main(["check", GOOD, "--out", str(folder)]) == 0
    return folder


def run_of(folder: Path, serial: str) -> Run:
    with open_store(str(folder / "simulated.sqlite"), read_only=True) as store:
        return store.run(store.find_run(serial))


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert main(["diagnose", *words]) == 0
    return capsys.readouterr().out


def test_the_cause_is_among_the_first_and_in_the_record(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = json.loads(told(capsys, FAULTY, "--json", "--out", str(out)))
    assert "F1=open" in said["causes"][0]["faults"]
    assert said["causes"][0]["probability"] > 0.5
    assert sum(cause["probability"] for cause in said["causes"]) + said["none_of_these"] <= 1.0 + 1e-9
    with open_store(str(out / "simulated.sqlite"), read_only=True) as store:
        kept = recorded(store)[said["run"]]
    assert "F1=open" in kept.causes[0][0]
    assert kept.first.split(" or ")[0] in kept.causes[0][0]


def test_on_the_screen(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = told(capsys, FAULTY, "--out", str(out))
    assert text.startswith("SIMULATED")
    assert text.rstrip().endswith("was used.")
    assert f"Diagnosis of {FAULTY}" in text
    assert all(word in text for word in ("F1=open", "by the weights file", "for "))


def test_on_the_report_but_never_on_the_certificate(out: Path) -> None:
    run = run_of(out, FAULTY)
    folder = out / FAULTY / run.opened.run
    assert "<h2>Diagnosis</h2>" in (folder / "report.html").read_text()
    certificates = [path for path in folder.iterdir() if path.name.startswith("SIM-")]
    assert {path.suffix for path in certificates} == {".pdf", ".json", ".xml"}
    for path in certificates:
        is_pdf = path.suffix == ".pdf"
        text = "".join(page.extract_text() for page in PdfReader(path).pages) if is_pdf else path.read_text()
        assert FAULTY in text
        assert "diagnos" not in text.lower(), path.name
        assert "likely" not in text.lower(), path.name
    good = run_of(out, GOOD)
    assert "Diagnosis" not in (out / GOOD / good.opened.run / "report.html").read_text()


def test_a_probe_changes_the_list_and_stays(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = json.loads(told(capsys, FAULTY, "--json", "--out", str(out), "--forget"))
    assert {"F1=open", "SW1=open"} <= set(before["causes"][0]["faults"])  # no reading tells them apart
    assert before["next_probe"]["information_bit"] > 0.5
    after = json.loads(told(capsys, FAULTY, "--json", "--out", str(out), "--probe", "FUSED=0 V"))
    assert list(after["probes"]) == ["voltage FUSED"]
    assert "F1=open" in after["causes"][0]["faults"]
    assert "SW1=open" not in after["causes"][0]["faults"]  # behind the fuse: it would leave 7.4 V there
    again = json.loads(told(capsys, FAULTY, "--json", "--out", str(out)))
    assert again["probes"] == after["probes"]
    assert json.loads(told(capsys, FAULTY, "--json", "--out", str(out), "--forget"))["probes"] == {}


@pytest.mark.parametrize(
    ("probe", "words"),
    [
        ("U3.99=1 V", "--probe 'U3.99=1 V': the dictionary knows no voltage U3.99."),
        ("U3.4=1 A", "--probe 'U3.4=1 A': write POINT=VALUE with V, ohm or Hz, such as 'U3.4=4.99 V' or 'R5=1 kohm'."),
        ("U3.4=inf V", "--probe 'U3.4=inf V': only a resistance can be over range."),
        ("R5=-5 ohm", "--probe 'R5=-5 ohm': less than zero."),
        ("U3.4", "--probe 'U3.4': '' is not a value with a unit; write it like '4.7 nF'. Write POINT=VALUE"),
    ],
)
def test_a_probe_that_cannot_be_read(out: Path, capsys: pytest.CaptureFixture[str], probe: str, words: str) -> None:
    assert main(["diagnose", FAULTY, "--out", str(out), "--probe", probe]) == 4
    assert words in capsys.readouterr().err


def test_a_resistance_over_range_tells_as_much_as_any_other(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["check", FAULTY, "--out", str(tmp_path), "--fault", "U4=reversed"]) == 1
    where = ["--out", str(tmp_path)]
    before = json.loads(told(capsys, FAULTY, "--json", *where))["causes"][0]["faults"]
    assert {"U4=reversed", "R10=short"} <= set(before)
    after = json.loads(told(capsys, FAULTY, "--json", *where, "--probe", "R10=inf ohm"))["causes"][0]["faults"]
    assert after == ["U4=reversed"]
    assert "resistance R10 over range" in told(capsys, FAULTY, *where)


def test_an_edited_weight_moves_the_list(
    out: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    before = json.loads(told(capsys, FAULTY, "--json", "--out", str(out), "--forget"))
    boards = tmp_path / "boards"
    shutil.copytree(FOLDERS["board"], boards)
    weights = boards / "qm2_faults.toml"
    edited = weights.read_text() + '\n[component.SW1]\nfactor = 100\nreason = "a lot of bad switches"\n'
    weights.write_text(edited)
    monkeypatch.setitem(FOLDERS, "board", boards)
    after = json.loads(told(capsys, FAULTY, "--json", "--out", str(out)))
    assert before["causes"][0]["faults"][0] != "SW1=open"
    assert after["causes"][0]["faults"][0] == "SW1=open"
    assert after["causes"][0]["shipped_prior"] > before["causes"][0]["shipped_prior"]
    weights.write_text(edited.replace("factor = 100", "factor = -1"))
    assert main(["diagnose", FAULTY, "--out", str(out)]) == 4
    assert "component.SW1.factor: must be zero or more" in capsys.readouterr().err


def test_rows_that_nothing_was_learned_of_say_nothing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Rows of another scope than the learned one: what good units read there nobody knows."""
    assert main(["check", FAULTY, "--out", str(tmp_path), "--scope", "boxed", "--fault", "C2=open"]) == 1
    said = json.loads(told(capsys, FAULTY, "--json", "--out", str(tmp_path)))
    assert "C2=open" in said["causes"][0]["faults"]
    spoken = [row for cause in said["causes"] for row in (*cause["for"], *cause["against"])]
    assert spoken
    assert not [row for row in spoken if row.startswith("battery_outside")]


def test_nothing_to_diagnose(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["diagnose", GOOD, "--out", str(out)]) == 4
    assert "passed, so there is nothing to diagnose." in capsys.readouterr().err
    assert main(["diagnose", "--out", str(out)]) == 4
    assert "Which run?" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"netlist_sha256": "0" * 64}, "netlist"),
        ({"limits_revision": "Z"}, "limits revision"),
        ({"limits_sha256": "1" * 64}, "limits file (SHA-256)"),
        ({"board": "qm3"}, "board"),
        ({"firmware": "9.0.0"}, "firmware"),
    ],
)
def test_a_run_of_another_state_is_refused(out: Path, tmp_path: Path, change: dict[str, str], what: str) -> None:
    known = load_dictionary(dictionary_path("qm2"))
    other = tmp_path / "other.npz"
    other.write_bytes(packed(dataclasses.replace(known, about={**known.about, **change})))
    run = run_of(out, FAULTY)
    if what == "firmware":
        assert run.closed is not None
        run = dataclasses.replace(
            run, closed=dataclasses.replace(run.closed, facts=(("firmware_version", known.about["firmware"]),))
        )
    with pytest.raises(UsageError, match="was recorded with another") as refusal:
        explain(run, path=other)
    assert f"another {what} (" in str(refusal.value)
    assert "hil diagnose --learn" in str(refusal.value)


def test_the_shipped_dictionary_is_of_the_shipped_board_and_limits() -> None:
    """Otherwise no failing unit would be diagnosed: learn it anew when netlist or limits are released anew."""
    known = load_dictionary(dictionary_path("qm2"))
    limits = load_limits("qm2")
    assert known.about["netlist_sha256"] == netlist_sha256("qm2")
    assert known.about["limits_revision"] == limits.revision
    assert known.about["limits_sha256"] == limits.sha256
    assert dictionary_path("qm2").stat().st_size < 2_000_000


def test_a_dictionary_survives_its_file(tmp_path: Path) -> None:
    known = load_dictionary(dictionary_path("qm2"))
    assert packed(unpacked("again", packed(known))) == packed(known)
    for content in (b"no archive", packed(known)[:1000]):
        with pytest.raises(UsageError, match="is not a fault dictionary"):
            unpacked("broken.npz", content)
    with pytest.raises(UsageError, match="there is no fault dictionary"):
        load_dictionary(tmp_path / "none.npz")


def test_a_rework_that_helped_is_counted_and_said(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--out", str(out)]
    rework = ["rework", FAULTY, "--action", "replaced", "--target", "F1", "--simulated", *where]
    assert main([*rework[:5], "F11", *rework[6:]]) == 4
    assert "--target F11: there is no such component on board qm2. Did you mean 'F1'." in capsys.readouterr().err
    assert main(rework) == 0
    assert main(["check", FAULTY, "--retest", "F1 replaced", *where]) == 0
    with open_store(str(out / "simulated.sqlite"), read_only=True) as store:
        (found,) = confirmed_causes(store)
    assert found.components == ("F1",)
    assert main(["check", "QM2-00013", "--fault", "F1=open", *where]) == 1
    said = json.loads(told(capsys, "QM2-00013", "--json", *where))
    assert said["confirmed_reworks"] == 1
    assert said["causes"][0]["prior"] > said["causes"][0]["shipped_prior"]
    assert "after 1 confirmed rework" in told(capsys, "QM2-00013", *where)
