"""What a check leaves behind: every file of one faulty simulated unit, and what the commands make of its record."""

import csv
import io
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pypdf
import pytest

from hil.cli.main import main

SERIAL = "Q2-00071"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the record and files of one unit with an open resistor."""
    folder = tmp_path_factory.mktemp("out")
    assert main(["check", SERIAL, "--fault", "R14=open", "--operator", "R. Moss", "--out", str(folder)]) == 1
    return folder


@pytest.fixture(scope="module")
def files(out: Path) -> dict[str, Path]:
    (folder,) = (out / SERIAL).iterdir()
    return {path.suffix if path.name.startswith("SIM-") else path.name: path for path in folder.iterdir()}


def command(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(list(words))
    said = capsys.readouterr()
    return code, said.out, said.err


def test_every_output_is_there_and_says_simulated(files: dict[str, Path]) -> None:
    assert set(files) == {".pdf", ".json", ".xml", "report.html", "junit.xml", "readings.csv"}
    for name, path in files.items():
        if name != ".pdf":
            assert "simulated" in path.read_text(encoding="utf-8").lower(), name
    pages = [page.extract_text() for page in pypdf.PdfReader(files[".pdf"]).pages]
    assert len(pages) == 2
    assert all(page.count("SIMULATED") >= 8 for page in pages)


def test_every_line_of_the_csv_says_simulated(files: dict[str, Path]) -> None:
    rows = list(csv.DictReader(io.StringIO(files["readings.csv"].read_text(encoding="utf-8"))))
    assert len(rows) > 100
    assert {row["simulated"] for row in rows} == {"SIMULATED"}
    assert {row["verdict"] for row in rows} == {"pass", "fail"}


def test_every_case_of_the_junit_xml_says_simulated(files: dict[str, Path]) -> None:
    suite = ElementTree.parse(files["junit.xml"]).getroot().find("testsuite")
    assert suite is not None
    assert suite.get("name") == f"SIMULATED {SERIAL}"
    assert suite.find("properties/property[@name='simulated']").get("value") == "true"  # type: ignore[union-attr]
    cases = suite.findall("testcase")
    assert len(cases) > 100
    for case in cases:
        found = {one.get("name"): one.get("value") for one in case.findall("properties/property")}
        assert found["simulated"] == "true"
        assert found["verdict"] in ("pass", "fail")


def test_the_html_report_is_one_file_with_plot_and_rows(files: dict[str, Path]) -> None:
    html = files["report.html"].read_text(encoding="utf-8")
    assert "<svg" in html
    assert f"SIMULATED – {SERIAL}: FAIL" in html
    assert not re.findall(r'(?:src|href)="(?!data:|https://pypi)[^"#]', html)
    rows = len(list(csv.DictReader(files["readings.csv"].open(encoding="utf-8"))))
    assert html.count("hil-mark") >= rows


def test_the_record_shows_the_run_again(out: Path, files: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = command(capsys, "show", SERIAL, "--out", str(out))
    assert code == 0
    assert said.startswith("SIMULATED: no real unit was measured")
    assert said.rstrip().endswith("no real instrument was used.")
    assert "output_average" in said
    code, said, _ = command(capsys, "show", SERIAL, "--csv", "--out", str(out))
    assert (code, said) == (0, files["readings.csv"].read_text(encoding="utf-8"))
    code, said, _ = command(capsys, "show", SERIAL, "--json", "--out", str(out))
    found = json.loads(said)
    assert (code, found["verdict"], found["simulated"]) == (0, "FAIL", True)
    assert f"SIM-{found['run']}.pdf" in "".join(found["files"])
    code, said, _ = command(capsys, "show", "--out", str(out))
    assert code == 0
    assert f"{found['run']}  FAIL" in said


def test_a_copy_of_the_certificate_is_identical_and_genuine(
    out: Path, files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said, _ = command(capsys, "certify", SERIAL, "--to", str(tmp_path), "--out", str(out))
    assert code == 0
    assert said.startswith("SIMULATED: copy of certificate SIM-")
    for path in tmp_path.iterdir():
        assert path.read_bytes() == files[path.suffix].read_bytes()
    copy = str(next(tmp_path.glob("*.pdf")))
    assert command(capsys, "certify", SERIAL, "--check", copy, "--out", str(out))[0] == 0
    Path(copy).write_bytes(Path(copy).read_bytes() + b" ")
    code, said, _ = command(capsys, "certify", SERIAL, "--check", copy, "--out", str(out))
    assert code == 1
    assert "not a file that the record" in said


def test_an_unknown_run_is_a_usage_error(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, error = command(capsys, "certify", "Q9", "--out", str(out))
    assert code == 4
    assert "'Q9' is neither a run nor a serial number in this record." in error
    code, _, error = command(
        capsys, "certify", SERIAL, "--sign", "no.p12", "--passphrase-file", "no.txt", "--out", str(out)
    )
    assert code == 4
    assert "no.txt" in error
