"""Lot reports from a record: what is counted, and lots that are odd in every way a lot can be."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hil.app.lot import as_json, figures_of, units_csv, write_lot_report
from hil.app.lot_figures import _control
from hil.app.sampling_tables import load_sampling_tables
from hil.core.ledger import Diagnosed, Rework
from hil.core.records import UnitVerdict, Verdict
from hil.errors import BenchError, UsageError
from hil.render.lot_page import findings
from hil.store.database import SqliteDatabase
from hil.store.migrations import MIGRATIONS, Migration, migrate
from hil.store.sqlite_store import SqliteStore
from tests.unit.conftest import CLOSED, OPENED, READING


class Lot:
    """Writes units of a lot into a record, one run a minute."""

    def __init__(self, store: SqliteStore) -> None:
        self.store, self.runs = store, 0

    def unit(
        self,
        serial: int | str,
        values: dict[str, float | None] | None = None,
        *,
        verdict: str = "PASS",
        failed: str = "",
        minute: int | None = None,
        closed: bool = True,
        facts: tuple[tuple[str, str], ...] = (),
        **opening: object,
    ) -> str:
        self.runs += 1
        values = {"c_1n": 1.0, "rail": 5.0} if values is None else values
        at = self.runs if minute is None else minute
        run = f"R{self.runs:04}"
        opened = replace(
            OPENED, run=run, serial=f"Q2-{serial}", simulated=False, seed=None, faults=(), lot="26-11", facts=facts,
            planned=("c_1n", "rail"), opened=f"2026-11-{2 + at // 1440:02}T{at // 60 % 24:02}:{at % 60:02}:00+00:00",
        )  # fmt: skip
        self.store.open_run(replace(opened, **opening))  # type: ignore[arg-type]
        readings = []
        for name, value in values.items():
            found = Verdict.NOT_MEASURED if value is None else Verdict.FAIL if name == failed else Verdict.PASS
            nominal, lower, upper = (None, 4.5, 5.5) if name == "rail" else (1.0, 0.9, 1.1)
            readings.append(
                replace(READING, name=name, title=name.upper(), value=value, verdict=found, nominal=nominal,
                        lower=lower, upper=upper, accept_lower=lower, accept_upper=upper, simulated=False)
            )  # fmt: skip
        self.store.append_all(run, readings)
        if closed:
            self.store.close_run(replace(CLOSED, run=run, verdict=UnitVerdict(verdict), facts=facts))
        return run


@pytest.fixture
def lot(store):
    return Lot(store)


def many(lot: Lot, count: int = 60, **changes: object) -> None:
    generator = np.random.default_rng(1)
    for unit in range(count):
        values = {"c_1n": 1.0 + generator.normal(0, 0.01), "rail": 5.0 + generator.normal(0, 0.1)}
        lot.unit(unit, values, **changes)  # type: ignore[arg-type]


def report(store: SqliteStore, folder: Path) -> tuple[str, dict[str, object]]:
    """Page and JSON of the report; both must be writable whatever the lot is like."""
    figures = figures_of("26-11", store)
    page, data, *_ = write_lot_report(figures, folder, now="2026-11-25 10:00")
    return page.read_text(), json.loads(data.read_text())


def test_yields_retests_reworks_and_causes_are_counted(lot, store) -> None:
    many(lot, 20)
    first = lot.unit(100, {"c_1n": 1.2, "rail": 5.0}, verdict="FAIL", failed="c_1n")
    lot.unit(100, attempt=2, retest_reason="C1 replaced")
    second = lot.unit(101, {"c_1n": 1.2, "rail": 5.0}, verdict="FAIL", failed="c_1n")
    lot.unit(102, {"c_1n": 1.0, "rail": 6.0}, verdict="FAIL", failed="rail")
    lot.unit(103, {"c_1n": 1.0}, verdict="INCOMPLETE", only="c_*")
    lot.unit(104, {"c_1n": 1.0}, closed=False)
    store.add(
        Rework(uid="w", time="2026-11-02T12:00:00Z", serial="Q2-100", action="replaced", target="C1", after_run=first)
    )
    store.add(
        Diagnosed(uid="d", time="2026-11-02T12:00:00Z", run=second, serial="Q2-101", causes=(("C1=open", 0.9, 0.01),))
    )
    found = figures_of("26-11", store)
    assert (found.units, found.runs, found.interrupted, found.unfinished) == (25, 26, 2, 2)
    assert (found.first_pass.count, found.first_pass.total) == (20, 23)
    assert (found.final.count, found.final.total) == (21, 23)
    assert (found.retested, found.reworked) == (1, 2)
    assert found.failures == (("c_1n", 2, pytest.approx(2 / 3)), ("rail", 1, 1.0))
    assert found.causes == (("C1=open (diagnosis)", 1), ("replaced C1 (rework)", 1), ("not diagnosed", 1))
    assert found.checks[0].values.size == 23
    assert found.checks[0].is_deviation
    assert not found.checks[1].is_deviation


def test_everything_is_in_the_page_the_tables_and_the_json(lot, store, tmp_path) -> None:
    many(lot, 40, bench="east")
    lot.unit("<b>", {"c_1n": 1.095, "rail": 5.0}, operator="<script>")
    plans = [("AQL 1 %, normal", load_sampling_tables().plan(41, 1.0))]
    figures = figures_of("26-11", store)
    paths = write_lot_report(figures, tmp_path, now="2026-11-25 10:00", plans=plans)
    assert [path.name for path in paths] == [
        "lot-26-11.html", "lot-26-11.json", "lot-26-11.csv", "lot-26-11-findings.csv", "lot-26-11-units.csv",
    ]  # fmt: skip
    page = paths[0].read_text()
    assert "<script" not in page
    assert "Q2-&lt;b&gt;" in page
    assert "If only a sample were checked" in page
    fetched = [piece for piece in ('src="http', 'href="http', "@import", "url(http") if piece in page]
    assert fetched == []
    data = json.loads(paths[1].read_text())
    assert (data["format"], data["first_pass"]["total"], data["sampling"][0]["n"]) == (1, 41, 13)
    assert [row["check"] for row in csv.DictReader(paths[2].open())] == ["c_1n", "rail"]
    units = list(csv.DictReader(paths[4].open()))
    assert len(units) == 41
    assert float(units[-1]["c_1n [V]"]) == pytest.approx(0.095)
    assert [row["group"] for row in csv.DictReader(paths[3].open()) if row["finding"] == "outlier"] == ["Q2-<b>"]


def test_groups_and_drifts_are_told_in_words(lot, store) -> None:
    generator = np.random.default_rng(3)
    for unit in range(120):
        bench = "west" if unit % 3 == 0 else "east"
        shift = 0.03 if bench == "west" else 0.0
        values = {"c_1n": 1.0 + shift + generator.normal(0, 0.01), "rail": 5.0 + unit / 300 + generator.normal(0, 0.1)}
        lot.unit(unit, values, bench=bench, facts=(("component_lot", "K1"),))
    figures = figures_of("26-11", store)
    words = [one.words for one in findings(figures)]
    assert any(
        one.startswith("Bench west reads C_1N ") and "higher than the others" in one and "40 units" in one
        for one in words
    )
    assert any(one.startswith("RAIL drifts up by ") and "the mean meets the limit in " in one for one in words)
    assert words[-1] == "2 checks are out of control, so that capability is no forecast there: C_1N, RAIL."
    assert [(one.grouping, one.group) for one in figures.groups] == [("bench", "east"), ("bench", "west")]


def test_a_distribution_with_long_tails_has_no_outliers_and_tiny_ones_do_not_count(lot, store) -> None:
    generator = np.random.default_rng(5)
    for unit in range(100):
        far = 0.4 if unit % 20 == 0 else 0.0  # five of a hundred: that is what this population is like
        near = 0.002 if unit == 7 else 0.0  # ten sigmas, and a hundredth of the tolerance
        lot.unit(
            unit, {"c_1n": 1.0 + generator.normal(0, 0.0002) + near, "rail": 5.0 + generator.normal(0, 0.05) + far}
        )
    assert figures_of("26-11", store).outliers == ()


@pytest.mark.parametrize("units", [20, 30, 60, 500])
def test_lots_in_which_nothing_changed_are_in_control(units) -> None:
    generator, checks, lots = np.random.default_rng(3), 30, 100
    wrong = sum(
        any(_control(generator.normal(size=units), checks)[0] is False for _ in range(checks)) for _ in range(lots)
    )
    assert wrong <= 12  # 5 are allowed; more than 12 would be chance in one of a thousand


# Lots that are odd


def test_no_such_lot_is_refused_naming_those_there_are(lot, store) -> None:
    with pytest.raises(UsageError, match=r"lot 'x': no runs in this record. Lots there: none\."):
        figures_of("x", store)
    lot.unit(1)
    with pytest.raises(UsageError, match=r"lot 'x': no runs in this record. Lots there: 26-11\."):
        figures_of("x", store)


def test_one_unit(lot, store, tmp_path) -> None:
    lot.unit(1)
    page, data = report(store, tmp_path)
    assert data["first_pass"] == {"count": 1, "total": 1, "lower": pytest.approx(0.025), "upper": 1.0, "share": 1.0}
    assert "1 unit, 1 run," in page
    assert "fewer than 20 units: too few to speak of control, drift or outliers" in page
    assert [one["capability"] for one in data["checks"]] == [None, None]
    assert [one["in_control"] for one in data["checks"]] == [None, None]


def test_no_failures(lot, store, tmp_path) -> None:
    many(lot)
    page, data = report(store, tmp_path)
    assert "No unit failed at its first check." in page
    assert (data["failures"], data["causes"]) == ([], [])
    assert data["first_pass"]["lower"] == pytest.approx(0.025 ** (1 / 60))  # not 100 % for certain


def test_all_fail(lot, store, tmp_path) -> None:
    for unit in range(30):
        lot.unit(unit, {"c_1n": 2.0 + unit / 100, "rail": 5.0}, verdict="FAIL", failed="c_1n")
    page, data = report(store, tmp_path)
    assert (data["first_pass"]["count"], data["final"]["count"]) == (0, 0)
    assert data["failures"] == [["c_1n", 30, 1.0]]
    assert data["causes"] == [["not diagnosed", 30]]
    assert data["outliers"] == []
    assert "0.0 %" in page


def test_constant_readings(lot, store, tmp_path) -> None:
    for unit in range(30):
        lot.unit(unit, {"c_1n": 1.00000001, "rail": 5.1})
    page, data = report(store, tmp_path)
    assert page.count("all readings the same") == 2
    assert "2 checks read the same on all units (C_1N, RAIL): without a spread there is no capability" in page
    assert [one["sd"] for one in data["checks"]] == [0.0, 0.0]
    assert [(one["capability"]["cpk"], one["percentile"]["ppk"]) for one in data["checks"]] == [(None, None)] * 2
    assert (data["effects"], data["correlations"]) == ([], [])


def test_missing_readings(lot, store, tmp_path) -> None:
    for unit in range(30):
        values: dict[str, float | None] = {"c_1n": None if unit % 3 else 1.0 + unit / 1000, "rail": 5.0 + unit / 100}
        lot.unit(unit, values)
    page, data = report(store, tmp_path)
    assert [(one["count"], one["missing"]) for one in data["checks"]] == [(10, 20), (30, 0)]
    assert "(20 missing)" in page
    assert "readings are missing (C_1N of 20 units); a check is judged by the units that have one" in page
    rows = list(csv.DictReader((tmp_path / "lot-26-11-units.csv").open()))
    assert [row["c_1n [V]"] == "" for row in rows] == [bool(unit % 3) for unit in range(30)]


def test_units_without_a_complete_run_are_said(lot, store, tmp_path) -> None:
    many(lot, 20)
    lot.unit(99, closed=False)
    page, data = report(store, tmp_path)
    assert (data["units"], data["unfinished"], data["first_pass"]["total"]) == (21, 1, 20)
    assert "1 unit has no complete run, and no part in yields and checks" in page


def test_no_complete_run_at_all(lot, store, tmp_path) -> None:
    lot.unit(1, closed=False)
    lot.unit(2, {"c_1n": None}, verdict="INCOMPLETE")
    page, data = report(store, tmp_path)
    assert (data["units"], data["unfinished"], data["first_pass"]["share"]) == (2, 2, None)
    assert "no unit has a complete run: there is nothing to judge yet" in page
    assert units_csv(figures_of("26-11", store)).count("\n") == 1


def test_texts_and_booleans_alone(lot, store, tmp_path) -> None:
    for unit in range(25):
        lot.unit(unit, {})
        lot.store.database.execute("SELECT 1")
    page, data = report(store, tmp_path)
    assert data["checks"] == []
    assert "Nothing: no group differs" in page


def test_units_that_changed_their_lot_are_named_and_counted_here_only_with_their_runs_here(
    lot, store, tmp_path
) -> None:
    lot.unit(1, verdict="FAIL", failed="rail", lot="26-10")
    lot.unit(1, attempt=2)
    lot.unit(2)
    page, data = report(store, tmp_path)
    assert data["moved"] == [["Q2-1", "26-10"]]
    assert (data["first_pass"]["count"], data["first_pass"]["total"]) == (2, 2)
    assert "Q2-1 in 26-10" in page


def test_a_clock_that_went_backwards_is_said_and_the_later_attempt_still_counts(lot, store, tmp_path) -> None:
    many(lot, 20)
    lot.unit(100, {"c_1n": 2.0, "rail": 5.0}, verdict="FAIL", failed="c_1n", minute=900)
    lot.unit(100, {"c_1n": 1.0, "rail": 5.0}, attempt=2, minute=800)
    page, data = report(store, tmp_path)
    assert (data["first_pass"]["count"], data["final"]["count"]) == (20, 21)
    assert "runs were not recorded in the order of their times" in page
    assert "1 retest is dated before the check repeated" in page


def test_limits_that_changed_within_a_lot_are_said(lot, store, tmp_path) -> None:
    many(lot, 20)
    many(lot, 20, limits_revision="B", limits_sha256="ff" * 32)
    page, _ = report(store, tmp_path)
    assert "limits changed within this lot (revision A 00, revision B ffffffff)" in page


def test_a_record_from_a_newer_version_is_refused(tmp_path) -> None:
    path = str(tmp_path / "new.sqlite")
    database = SqliteDatabase(path)
    newer = Migration("9999_colour", "a column for the colour", ("ALTER TABLE runs ADD COLUMN colour TEXT",))
    migrate(database, now="now", steps=(*MIGRATIONS, newer))
    database.close()
    with pytest.raises(UsageError, match=r"is from a newer version of hil \(step 9999_colour\)\. Update hil\."):
        SqliteStore(path, read_only=True)


def test_a_report_that_cannot_be_written_is_refused(lot, store, tmp_path) -> None:
    lot.unit(1)
    (tmp_path / "taken").touch()
    with pytest.raises(BenchError, match="cannot be written"):
        write_lot_report(figures_of("26-11", store), tmp_path / "taken", now="x")


def test_json_has_no_nan() -> None:
    assert as_json({"a": (float("nan"), float("inf"), 1.0)}) == {"a": [None, None, 1.0]}
