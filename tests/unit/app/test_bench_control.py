"""A bench out of control: who fired, since when, which units are in doubt, and how it is accounted for."""

import csv
import io
import json
from dataclasses import replace

import pytest

from hil.app.bench_control import SINCE_BEGINNING, SINCE_GOOD, acknowledge, bench_control, recall
from hil.app.bench_report import recall_csv, recall_json, write_bench_charts
from hil.app.locate import load_bench
from hil.app.readiness import refuse_out_of_control, refuse_unready
from hil.core.ledger import CertificateIssued, Readiness, ReadinessValue
from hil.core.records import UnitVerdict
from hil.errors import BenchError, UsageError
from hil.store.sqlite_store import SqliteStore
from tests.unit.conftest import CLOSED, OPENED

STEADY = (0.0, 0.1, -0.1, 0.05, -0.05) * 4
SPEC = replace(load_bench("simulated"), bench="west", file="west.toml")


def morning(day: int) -> str:
    return f"2026-{10 + day // 30:02}-{1 + day % 30:02}T08:00:00.000+00:00"


def add(store: SqliteStore, day: int, value: float, *, ready: bool = True, golden: str = "QM2-GOLD") -> Readiness:
    values = tuple(
        ReadinessValue(
            name=name, value=(470e-12 if name == "part_c" else 1e-12) * (1 + one / 1000), unit="F",
            verdict="pass" if ready else "fail", least=0.1e-12,
        )
        for name, one in (("part_c", value), ("jig_open", 0.0))
    )  # fmt: skip
    entry = Readiness(
        uid=f"r{day}-{golden}", time=morning(day), author="A. Example", bench="west", ready=ready, simulated=False,
        reason="" if ready else "part_c: is not what it was", values=values, identities=(("golden_unit", golden),),
    )  # fmt: skip
    store.add(entry)
    return entry


def checked(store: SqliteStore, serial: str, day: int, *, certificate: str = "") -> None:
    run = f"R-{serial}-{day}"
    at = morning(day).replace("T08", "T10")
    store.open_run(
        replace(OPENED, run=run, serial=serial, bench="west", simulated=False, seed=None, faults=(), opened=at,
                readiness=morning(day))
    )  # fmt: skip
    store.close_run(replace(CLOSED, run=run, verdict=UnitVerdict.PASS, closed=at))
    if certificate:
        store.add(
            CertificateIssued(uid=certificate, time=at, author="A", serial=serial, run=run, sha256="00")
        )  # fmt: skip


@pytest.fixture
def store(tmp_path):
    with SqliteStore(str(tmp_path / "records.sqlite")) as store:
        yield store


@pytest.fixture
def drifted(store):
    """Twenty steady mornings, three that creep away, one that is off; a unit is checked on each day."""
    for day, value in enumerate(STEADY):
        add(store, day, value)
    for day, value in enumerate((0.15, 0.2, 0.2), start=20):
        add(store, day, value)
        checked(store, f"Q2-{day}", day, certificate=f"QI-C-{day}")
    checked(store, "Q2-OLD", 18)
    add(store, 23, 2.0, ready=False)
    return store


def test_the_record_alone_says_what_fired_since_when_and_who_is_in_doubt(drifted) -> None:
    control = bench_control(drifted, "west", "QM2-GOLD")
    assert control.words().startswith("OUT OF CONTROL: part_c: individual beyond its limit at ")
    assert {stop.name for stop in control.stops} == {"part_c"}
    doubtful = recall(drifted, control)
    assert doubtful is not None
    assert (doubtful.found, doubtful.last_good, doubtful.ended) == (morning(23), morning(22), "")
    assert doubtful.began == morning(20)
    assert [(one.run.serial, one.why, one.certificates) for one in doubtful.runs] == [
        ("Q2-20", SINCE_BEGINNING, ("QI-C-20",)),
        ("Q2-21", SINCE_BEGINNING, ("QI-C-21",)),
        ("Q2-22", SINCE_GOOD, ("QI-C-22",)),
    ]
    rows = list(csv.DictReader(io.StringIO(recall_csv(doubtful))))
    assert [row["serial"] for row in rows] == list(doubtful.units) == ["Q2-20", "Q2-21", "Q2-22"]
    plain = json.loads(json.dumps(recall_json(control, doubtful)))
    assert (plain["in_control"], plain["last_good"], plain["units"]) == (False, morning(22), list(doubtful.units))
    assert plain["fired"][0]["value"] == "part_c"


def test_checks_are_refused_with_rule_time_units_and_what_to_do(drifted) -> None:
    with pytest.raises(BenchError) as caught:
        refuse_unready(SPEC, drifted, now=morning(24))
    said = str(caught.value)
    assert said.startswith("bench 'west' is out of control: part_c: ")
    assert f"individual beyond its limit at {morning(23)[:16]}" in said
    assert f"3 units were checked since the last good readiness check of {morning(22)[:16]}" in said
    assert "'hil bench --bench west.toml --recall' lists them" in said
    assert "'hil bench --bench west.toml --acknowledge REASON'" in said


def test_a_good_reading_alone_does_not_reopen_the_bench_but_a_recorded_reason_does(drifted) -> None:
    add(drifted, 24, 0.0)
    with pytest.raises(BenchError, match="out of control"):
        refuse_out_of_control(SPEC, drifted)
    control = bench_control(drifted, "west", "QM2-GOLD")
    with pytest.raises(UsageError, match="Say why"):
        acknowledge(drifted, control, reason=" ", author="A. Example", now=morning(25))
    with pytest.raises(UsageError, match="Say who"):
        acknowledge(drifted, control, reason="needles cleaned", author="", now=morning(25))
    with pytest.raises(UsageError, match=r"part_x: is not charted on bench .west.\. Charted: part_c, jig_open"):
        acknowledge(drifted, control, reason="x", author="A", now=morning(25), names=["part_x"])
    entry = acknowledge(drifted, control, reason="needles cleaned", author="A. Example", now=morning(25))
    assert entry.answers
    assert all(words.startswith("part_c: ") for words in entry.answers)
    after = bench_control(drifted, "west", "QM2-GOLD")
    assert after.words() == "in control, 2 values"
    refuse_out_of_control(SPEC, drifted)
    with pytest.raises(UsageError, match="no rule fired, so there is nothing to acknowledge"):
        acknowledge(drifted, after, reason="again", author="A. Example", now=morning(26))
    # The units are in doubt for ever; the list can still be asked for.
    doubtful = recall(drifted, after)
    assert doubtful is not None
    assert (doubtful.ended, len(doubtful.runs)) == (morning(24), 3)
    # What is still wrong fires again.
    add(drifted, 27, 2.0, ready=False)
    assert bench_control(drifted, "west", "QM2-GOLD").stops


def test_a_new_baseline_forgets_one_value_and_leaves_the_others(drifted) -> None:
    control = bench_control(drifted, "west", "QM2-GOLD")
    acknowledge(
        drifted, control, reason="check part replaced", author="A", now=morning(25), new_baseline=True, names=["part_c"]
    )
    add(drifted, 26, 5.0)
    after = bench_control(drifted, "west", "QM2-GOLD")
    by_name = {one.series.name: one for one in after.controls}
    assert len(by_name["part_c"].series.points) == 1
    assert by_name["jig_open"].series.is_established
    assert after.words() == (
        "limits of 1 of 2 values are not established: 1 of 20 readings; until then each is compared with its "
        "earlier ones, from 3 on"
    )


def test_another_golden_unit_has_a_history_of_its_own(drifted) -> None:
    add(drifted, 24, 0.0, golden="QM2-OTHER")
    assert not bench_control(drifted, "west", "QM2-OTHER").stops
    refuse_out_of_control(replace(SPEC, jig=replace(SPEC.jig, golden_unit="QM2-OTHER")), drifted)


def test_no_history_is_no_trouble(store) -> None:
    control = bench_control(store, "west", "QM2-GOLD")
    assert (control.words(), control.stops, recall(store, control)) == ("no check standard was read yet", (), None)
    add(store, 0, 0.0)
    assert recall(store, bench_control(store, "west", "QM2-GOLD")) is None


def test_benches_with_clocks_in_other_zones_agree_about_the_order(drifted) -> None:
    control = bench_control(drifted, "west", "QM2-GOLD")
    # 10:00+02:00 is 08:00 UTC: not after the reading of that minute, so it accounts for it.
    acknowledge(drifted, control, reason="x", author="A", now=morning(23).replace("T08", "T10").replace("+00", "+02"))
    assert not bench_control(drifted, "west", "QM2-GOLD").stops


def test_the_page_and_its_table_show_every_reading_and_escape_what_people_wrote(drifted, tmp_path) -> None:
    control = bench_control(drifted, "west", "QM2-GOLD")
    acknowledge(drifted, control, reason="<b>cleaned</b>", author="A", now=morning(25))
    control = bench_control(drifted, "west", "QM2-GOLD")
    page, table = write_bench_charts(control, recall(drifted, control), tmp_path, now="2026-11-25 08:00")
    text = page.read_text()
    assert page.name == "bench-west.html"
    assert text.count("<svg") == 2
    assert "&lt;b&gt;cleaned&lt;/b&gt;" in text
    assert "http://" not in text.replace("http://www.w3.org", "").replace("http://purl.org", "").replace(
        "http://creativecommons.org", ""
    )
    rows = list(csv.DictReader(table.open()))
    assert len(rows) == 2 * 24
    assert sum(row["phase"] == "baseline" for row in rows) == 40
    assert [row["good"] for row in rows if row["name"] == "part_c"][-1] == "0"
