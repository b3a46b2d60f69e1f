"""Process files: what units are like before they are judged, and every way the file can be wrong."""

import pytest

from hil.core.limit import Limit
from hil.errors import FileError
from hil.files.process import ASSUMED, parse_process
from hil.suite import ROOT

TEXT = """format = 1
board = "qm2"
reliability = "99 %"
[check."c_*"]
sd = "0.1 %"
[check.c_100p]
mean = "0.02 pF"
sd = "0.05 pF"
[shared.Ccal]
"c_*" = "0.05 %"
"l_*" = "-0.05 %"
"""
C100 = Limit(name="c_100p", unit="F", nominal=100e-12, lower=99e-12, upper=101e-12)
C10 = Limit(name="c_10n", unit="F", nominal=10e-9, lower=9.9e-9, upper=10.1e-9)
RAIL = Limit(name="rail", unit="V", lower=4.9, upper=5.1)


def test_later_tables_win_and_ratios_are_of_the_nominal():
    process = parse_process("p.toml", TEXT)
    found = process.of(C100)
    assert found is not None
    assert (found.mean, found.sd) == pytest.approx((100.02e-12, 0.05e-12))
    wider = process.of(C10)
    assert wider is not None
    assert (wider.mean, wider.sd) == pytest.approx((10e-9, 10e-12))
    assert process.shared_by(C10) == {"Ccal": pytest.approx(5e-12)}
    assert process.shared_by(Limit(name="l_1m", unit="H", nominal=1e-3, upper=2e-3)) == {"Ccal": pytest.approx(-5e-7)}
    assert process.shared_by(RAIL) == {}


def test_what_is_not_named_conforms_to_the_share_that_the_file_says():
    rail = parse_process("p.toml", TEXT).of(RAIL)
    assert rail is not None
    assert rail.outside(RAIL.zone) == pytest.approx(0.01)
    assumed = ASSUMED.of(RAIL)
    assert assumed is not None
    assert assumed.outside(RAIL.zone) == pytest.approx(0.05)


def test_nothing_is_known_of_one_side_or_of_no_width():
    assert ASSUMED.of(Limit(name="x", upper=1.0)) is None
    assert ASSUMED.of(Limit(name="x", lower=1.0, upper=1.0)) is None


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('sd = "0.05 pF"', 'sd = "0 pF"'), "8: check.c_100p.sd: must be more than zero, not '0 pF'."),
        (('sd = "0.05 pF"', 'sd = "-1 pF"'), "8: check.c_100p.sd: must be more than zero, not '-1 pF'."),
        (('"99 %"', '"100 %"'), "3: reliability: must lie between 0 % and 100 %, not 100.000%."),
        (("mean =", "mode ="), "7: check.c_100p.mode: unknown key. Known: mean, sd."),
        (('mean = "0.02 pF"', "mean = 3"), "7: check.c_100p.mean: 3 has no unit; write it as a text like '4.7 nF'."),
    ],
)
def test_refused(change, said):
    with pytest.raises(FileError) as caught:
        parse_process("p.toml", TEXT.replace(*change))
    assert str(caught.value) == f"p.toml:{said}"


def test_a_unit_that_is_not_the_limits_names_the_line():
    process = parse_process("p.toml", TEXT.replace('"0.05 pF"', '"5 mV"').replace('"l_*" = "-0.05 %"', '"l_*" = "1 F"'))
    with pytest.raises(FileError) as caught:
        process.of(C100)
    assert str(caught.value) == "p.toml:6: check.c_100p: is in V, but c_100p is in F. Give it in that unit or in %."
    with pytest.raises(FileError) as caught:
        process.shared_by(Limit(name="l_1m", unit="H", nominal=1e-3, upper=2e-3))
    assert str(caught.value) == "p.toml:11: shared.Ccal.l_*: is in F, but l_1m is in H. Give it in that unit or in %."


def test_more_shared_than_there_is_names_the_line():
    found = parse_process("p.toml", TEXT).refusal(C100, "too much is shared")
    assert str(found) == (
        "p.toml:10: shared.Ccal: too much is shared. Make what is shared smaller, or the standard deviation of the "
        "check larger."
    )


@pytest.mark.parametrize("path", sorted((ROOT / "fixtures/processes").glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_processes_can_be_read(path):
    assert parse_process(path.name, path.read_text(encoding="utf-8")).board == path.stem
