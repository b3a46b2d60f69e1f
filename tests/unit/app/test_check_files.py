"""The data files of a check: what is refused before anything is touched."""

from collections.abc import Callable
from pathlib import Path

import pytest

from hil.app.check_files import Files, read_files, refuse_serials
from hil.app.settings import read_settings
from hil.errors import FileError, UsageError
from hil.suite import ROOT

TODAY = "2026-11-25"
Read = Callable[..., Files]


@pytest.fixture
def read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Read:
    """The shipped files with a change in one of them: read(bench=("old", "new"))."""
    monkeypatch.chdir(tmp_path)

    def read(today: str = TODAY, scope: str = "full", only: str = "", **changes: tuple[str, str]) -> Files:
        texts = {
            "kit": (ROOT / "fixtures/kits/demo.toml").read_text(encoding="utf-8"),
            "limits": (ROOT / "limits/qm2.toml").read_text(encoding="utf-8"),
            "bench": (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8"),
        }
        texts["bench"] = texts["bench"].replace('kit = "demo"', 'kit = "./kit.toml"')
        for name, (old, new) in changes.items():
            assert old in texts[name]
            texts[name] = texts[name].replace(old, new, 1)
        for name, text in texts.items():
            (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
        given = {"limits": "./limits.toml", "bench": "./bench.toml", "scope": scope}
        return read_files(read_settings(given), today=today, only=only)

    return read


def line_of(tmp_path: Path, name: str, words: str) -> int:
    lines = (tmp_path / name).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, start=1) if line.startswith(words))


def test_the_shipped_files_fit_each_other(read: Read) -> None:
    files = read()
    assert all(row.is_resolved for row in files.rows)
    assert files.limits["c_1n"].part == "c_1n"


def test_a_damaged_part_stops_before_anything_is_touched(read: Read, tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        read(kit=("[part.c_1n]\n", "[part.c_1n]\ndamaged = 'lead broken'\n"))
    line = line_of(tmp_path, "kit.toml", "[part.c_1n]")
    assert str(caught.value) == (
        f"kit.toml:{line}: part.c_1n: damaged (lead broken). Replace it before checking units."
    )


def test_an_overdue_part_stops_too(read: Read, tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        read(today="2028-02-29", only="c_1n", bench=("due = 2027-06-30", "due = 2029-06-30"))
    assert "calibration was due 2027-06-30" in str(caught.value)  # the first instrument that is
    with pytest.raises(UsageError) as caught:
        read(today="2027-06-15", only="ccal*")
    line = line_of(tmp_path, "kit.toml", "[part.c_1n_adjust]")
    assert str(caught.value) == (
        f"kit.toml:{line}: part.c_1n_adjust: calibration was due 2027-05-14, today is 2027-06-15. Send it to "
        "calibration, or take its rows out of the scope."
    )


def test_a_part_that_is_not_wired_stops_too(read: Read, tmp_path: Path) -> None:
    with pytest.raises(FileError) as caught:
        read(bench=("c_1n = 110\n", ""))
    line = line_of(tmp_path, "limits.toml", "[limit.c_1n]")
    assert str(caught.value) == (
        f"limits.toml:{line}: limit.c_1n.part: 'c_1n' is not wired to the selector of bench.toml. Add its channel to "
        "[selector.parts], or take the row out of the scope."
    )
    assert read(only="c_1p", bench=("c_1n = 110\n", "")).rows  # nothing needs it there


def test_a_part_that_the_kit_has_not_stops_too(read: Read) -> None:
    with pytest.raises(FileError, match=r"limit\.c_1n\.part: 'c_1n' is not in kit\.toml\. Did you mean 'c_10n'"):
        read(kit=("[part.c_1n]\n", "[part.c_one]\n"))


def test_a_room_that_a_part_does_not_bear_stops_too(read: Read) -> None:
    with pytest.raises(FileError, match=r"limit\.room_temperature: allows 17 … 28 degC, outside the temperature range"):
        read(limits=('lower = "18 degC"', 'lower = "17 degC"'))


def test_a_scope_or_row_that_is_not_there(read: Read) -> None:
    with pytest.raises(UsageError, match=r"scope 'half': not in limits\.toml\. Scopes there: full"):
        read(scope="half")
    with pytest.raises(UsageError, match=r"--only 'x\*' matches no row\. 'hil plan' lists the rows"):
        read(only="x*")


@pytest.mark.parametrize("serial", ["", "../x", "a/b", "q2-1", "Q2 1", "Q2-0000000000001", "-1"])
def test_what_is_no_serial_number_is_refused(read: Read, serial: str) -> None:
    with pytest.raises(UsageError, match=r"is no serial number; one is 1 to 15 capitals, digits and hyphens"):
        refuse_serials((serial,), read().bench)


def test_a_serial_number_belongs_to_one_unit_and_fits_the_meter(read: Read) -> None:
    refuse_serials(("Q2-1", "Q2-2", "Q2-00000000001"), read().bench)
    with pytest.raises(UsageError, match="serial number Q2-1 is given twice"):
        refuse_serials(("Q2-1", "Q2-2", "Q2-1"), read().bench)


def test_firmware_that_only_prints_holds_no_serial_number_but_the_folder_needs_one(read: Read) -> None:
    bench = read(bench=('protocol = "bench_port"', 'protocol = "listen"\npattern = "(?P<frequency>.*)"')).bench
    refuse_serials(("kit_7", "a.b"), bench)
    for serial in ("../x", ".hidden", "a b", ""):
        with pytest.raises(UsageError, match="the first a letter or digit"):
            refuse_serials((serial,), bench)
