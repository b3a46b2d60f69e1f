"""A coverage as text, data and picture."""

import csv
import io
import json
from xml.etree import ElementTree

import pytest

from hil.app.locate import locate, read_text
from hil.core.coverage import FaultOf, Seen, Trial, Tried
from hil.core.coverage_result import result
from hil.core.plan import Plan, PlannedRow
from hil.core.records import UnitVerdict, Verdict
from hil.core.visibility import Moved
from hil.files.layout import parse_layout
from hil.files.netlist import parse_netlist
from hil.render.coverage_data import as_text, classes_csv, faults_csv
from hil.render.coverage_picture import coverage_picture
from hil.render.coverage_table import print_coverage

ROWS = tuple(
    PlannedRow(name=name, check="test_x.py::f", group=name, needs=(), power="on", after=(), seconds=2.0)
    for name in ("rail", "lamp")
)
FAULTS = (
    FaultOf(name="R1=open", fault_class="missing", components=("R1",), weight=0.6),
    FaultOf(name="R9=+20%", fault_class="drifted", components=("R9",), weight=0.3),
    FaultOf(name="C7=open", fault_class="missing", components=("C7",), weight=0.1, inspection="optical inspection"),
)


def tried(name, *failed, number=0):
    readings = {
        row.name: Seen(value=9.0, verdict=Verdict.FAIL)
        if row.name in failed
        else Seen(value=1.0 + 0.01 * number, verdict=Verdict.PASS)
        for row in ROWS
    }
    return Tried(
        trial=Trial(fault=name, number=number, serial="S", made=name),
        verdict=UnitVerdict.FAIL if failed else UnitVerdict.PASS,
        readings=readings,
        row_seconds={"rail": 2.0, "lamp": 1.0},
    )


@pytest.fixture(scope="module")
def found():
    moved = {
        ("R1=open", 0): (Moved(name="V", value=1.0, lower=0.0, upper=0.5, times_u=9.0),),
        ("R9=+20%", 0): (Moved(name="ohm", value=1200.0, lower=990.0, upper=1010.0, times_u=300.0),),
        ("C7=open", 0): (),
    }
    good = [tried("", number=number) for number in range(12)]
    trials = [*good, tried("R1=open", "lamp"), tried("R9=+20%"), tried("C7=open")]
    return result(FAULTS, trials, Plan(rows=ROWS, scope="full"), moved, planned_trials=15)


def test_text(found):
    screen = io.StringIO()
    print_coverage(found, screen)
    said = screen.getvalue()
    for words in (
        "15 of 15 units tried; 3 faults",
        "12 good units, of which 0 not passed",
        "R9=+20%                      no  moves 'ohm' to 1200, good units 990 to 1010.",
        "C7=open                      no  moves nothing by more than 3 U. optical inspection",
        "Rows that catch nothing that another does not: 1\n  rail",
        "3: no fault  R9=+20%  C7=open",
        "3.0 s as planned,\n  1.0 s in the order that begins with\n    lamp  rail",
    ):
        assert words in said, words


def test_data(found):
    data = json.loads(as_text(found, {"limits": "1"}))
    assert data["about"] == {"limits": "1"}
    assert data["total"]["weighted_share"] == pytest.approx(0.6)
    assert data["total"]["visible_share"] == pytest.approx(0.5)
    assert data["groups"] == [[None, "R9=+20%", "C7=open"]]
    assert data["order"]["best"] == ["lamp", "rail"]
    rows = {row["fault"]: row for row in csv.DictReader(io.StringIO(faults_csv(found)))}
    assert (rows["R1=open"]["caught_by"], rows["R9=+20%"]["visible"], rows["C7=open"]["visible"]) == (
        "lamp",
        "1",
        "0",
    )
    assert [row["class"] for row in csv.DictReader(io.StringIO(classes_csv(found)))] == ["missing", "drifted", "all"]


def test_picture_names_every_component_and_is_the_same_every_time(found):
    netlist = parse_netlist("qm2.toml", read_text(locate("board", "qm2")))
    layout = parse_layout("layout.toml", read_text(locate("board", "qm2_layout")), netlist)
    drawn = coverage_picture(found.coverage, netlist, layout, file_format="svg")
    assert drawn == coverage_picture(found.coverage, netlist, layout, file_format="svg")
    ElementTree.fromstring(drawn)  # well-formed
    assert all(f"<!-- {part.designator} -->".encode() in drawn for part in netlist.components)
    assert b"SIMULATED" in drawn or b"<!-- SIMULATED." in drawn
    assert coverage_picture(found.coverage, netlist, layout, file_format="png").startswith(b"\x89PNG")
