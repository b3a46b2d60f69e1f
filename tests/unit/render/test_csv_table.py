"""CSV for spreadsheets and scripts."""

import csv
import io
from collections.abc import Callable
from dataclasses import replace

from hil.core.records import Run
from hil.render.csv_table import COLUMNS, csv_text

MakeRun = Callable[..., Run]


def rows(run: Run) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(csv_text(run))))


def test_a_line_a_reading_with_plain_numbers(run_of: MakeRun) -> None:
    run = run_of()
    found = rows(run)
    assert len(found) == len(run.readings)
    assert tuple(found[0]) == COLUMNS
    by_name = {row["name"]: row for row in found}
    assert float(by_name["c_100p"]["upper"]) == 101.3e-12
    assert float(by_name["c_100p"]["value"]) == next(r.value for r in run.readings if r.name == "c_100p")
    assert (by_name["boots"]["value"], by_name["boots"]["expected"]) == ("yes", "yes")
    assert by_name["contact_jig"]["lower"] == ""


def test_every_line_says_simulated(run_of: MakeRun) -> None:
    assert {row["simulated"] for row in rows(run_of())} == {"SIMULATED"}
    assert {row["simulated"] for row in rows(run_of(simulated=False))} == {"no"}


def test_what_was_never_reached_has_its_line(run_of: MakeRun) -> None:
    found = rows(run_of(stop_after=60))
    assert len(found) == 92
    assert [row["verdict"] for row in found].count("not_measured") == 32
    assert found[-1]["reason"] == "never reached"
    assert found[-1]["serial"] == "QM2-0042"


def test_an_answer_of_a_meter_does_not_become_a_formula(run_of: MakeRun) -> None:
    run = run_of()
    odd = replace(run.readings[2], value="=1+1", title='a "quoted", title')
    found = rows(replace(run, readings=(odd,)))[0]
    assert found["value"] == "'=1+1"
    assert found["title"] == 'a "quoted", title'
