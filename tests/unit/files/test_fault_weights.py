"""The weights file: each complaint with its place."""

import re
from pathlib import Path

import pytest

from hil.errors import FileError
from hil.files.fault_weights import parse_fault_weights
from hil.files.netlist import parse_netlist

BOARDS = Path(__file__).parents[3] / "fixtures" / "boards"
TEXT = (BOARDS / "qm2_faults.toml").read_text(encoding="utf-8")
NETLIST = parse_netlist("qm2.toml", (BOARDS / "qm2.toml").read_text(encoding="utf-8"))


def test_shipped_file():
    weights = parse_fault_weights("qm2_faults.toml", TEXT, NETLIST)
    assert weights.classes["joint"].weight == 6.0
    assert weights.classes["joint"].reason.startswith("practice: ")
    assert weights.factors["K1"].weight == 1.5


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[class.bridge]", "[class.brigde]", "class.brigde: 'brigde' is not known. Did you mean 'bridge'."),
        ("[component.K1]", "[component.K9]", "component.K9: 'K9' is not known. Known: C1, "),
        ('board = "qm2"', 'board = "qm1"', "board: is 'qm1', but the netlist is of 'qm2'."),
        (
            "[class.weak_q]\nweight = 2",
            "[class.weak_q]\nweight = -2",
            "class.weak_q.weight: must be zero or more, not -2.",
        ),
        ("[class.weak_q]\nweight = 2", "[class.weak_q]\nfactor = 2", "class.weak_q.factor: unknown key."),
        (
            'finds = "gate of the protection transistor draws',
            'sees = "gate of the protection transistor draws',
            "inspection[9].sees: unknown key.",
        ),
    ],
)
def test_complaints(old, new, message):
    assert TEXT.count(old) == 1
    with pytest.raises(FileError) as caught:
        parse_fault_weights("boards/qm2_faults.toml", TEXT.replace(old, new), NETLIST)
    assert message in str(caught.value)
    assert caught.value.line is not None


def test_all_weights_zero():
    nothing = re.sub(r"(?m)^weight = .*$", "weight = 0", TEXT)
    with pytest.raises(FileError, match="every weight is zero"):
        parse_fault_weights("qm2_faults.toml", nothing, NETLIST)


def test_missing_class():
    start, end = TEXT.index("[class.weak_q]"), TEXT.index("[class.dead_display]")
    with pytest.raises(FileError, match=r"class 'weak_q' is missing\. Add \[class\.weak_q\] with weight and reason\."):
        parse_fault_weights("qm2_faults.toml", TEXT[:start] + TEXT[end:], NETLIST)
