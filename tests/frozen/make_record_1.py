"""Makes record_1.sqlite and record_1.jsonl, once: the first released shape of the record and of its export.

They are never made again; today's code must read them for ever. A new shape gets record_2 and a maker of its own.
"""

from pathlib import Path

from hil.app.records import export
from hil.core.ledger import Baseline, CertificateIssued, Document, Lot, Readiness, ReadinessValue, Removal, Rework
from hil.core.records import (
    BudgetRow,
    InstrumentUsed,
    PartUsed,
    Reading,
    RunClosed,
    RunOpened,
    Statement,
    UnitVerdict,
    Verdict,
)
from hil.store.sqlite_store import SqliteStore

HERE = Path(__file__).parent
NOW = "2026-11-25T12:00:00.000+00:00"

OPENED = RunOpened(
    run="20261125-100000-QM2-00001-a1b2c3", serial="QM2-00001", board="qm2", attempt=2, attempts_allowed=3,
    retest_reason="R5 replaced", scope="full", only="", planned=("rail_5v", "c_100p", "boots", "firmware", "open"),
    outside_scope=("programming",), limits_file="limits/qm2.toml", limits_revision="A", limits_sha256="ab" * 32,
    kit_file="fixtures/kits/demo.toml", bench="west", bench_file="west.toml", operator="A. Lindqvist", lot="2026-11",
    simulated=False, seed=None, faults=(), opened="2026-11-25T10:00:00.000+01:00", suite_version="0.1.0",
    instruments=(
        InstrumentUsed(role="voltmeter", address="TCPIP::10.0.0.2::5025::SOCKET", identity="Invented,VM-6,17,1.0",
                       certificate="QI-E-0002", due="2027-06-30"),
    ),
    parts=(
        PartUsed(name="c_100p", value=100.3e-12, unit="F", expanded_uncertainty=0.06e-12, certificate="QI-K-0217",
                 due="2028-03-26"),
    ),
    settings=(("bench", "west.toml", "hil.toml:2"),), planned_seconds=12.5, readiness="2026-11-25T08:00:00+01:00",
)  # fmt: skip
COMMON = {"simulated": False, "time": "2026-11-25T10:00:02.000+01:00", "check": "test_x.py::test_x", "group": "x"}
READINGS = (
    Reading(
        name="rail_5v", value=5.012345678901234, unit="V", verdict=Verdict.PASS, lower=4.9, upper=5.1,
        accept_lower=4.91, accept_upper=5.09, nominal=5.0, expanded_uncertainty=0.01, coverage_factor=2.0,
        effective_dof=31.5, rule="guard_band", statement=Statement.PASS, instruments=("voltmeter",),
        raw=("voltmeter: MEAS:VOLT? -> +5.01234568E+00",), seconds=0.25, title="5 V rail", hand_read=False,
        budget=(
            BudgetRow(name="accuracy", standard_uncertainty=0.004, unit="V", sensitivity=1.0, contribution=0.004,
                      kind="B", distribution="rectangular", dof=None),
            BudgetRow(name="repeatability", standard_uncertainty=0.001, unit="V", sensitivity=1.0, contribution=0.001,
                      kind="A", distribution="normal", dof=9.0),
        ), **COMMON,
    ),
    Reading(name="c_100p", value=99.9e-12, unit="F", verdict=Verdict.UNDECIDED, reason="near the limit", lower=99.9e-12,
            upper=None, statement=Statement.CONDITIONAL_FAIL, parts=("c_100p",), notes=("µ and Ω",), **COMMON),
    Reading(name="boots", value=True, unit="", verdict=Verdict.PASS, expected=True, **COMMON),
    Reading(name="firmware", value="1.0", unit="", verdict=Verdict.FAIL, expected="1.1", reason="is '1.0'", **COMMON),
    Reading(name="open", value=None, unit="ohm", verdict=Verdict.PASS, lower=1e3, reason="reads infinite",
            hand_read=True, **COMMON),
)  # fmt: skip
CLOSED = RunClosed(
    run=OPENED.run, verdict=UnitVerdict.FAIL, reason="failed: firmware", closed="2026-11-25T10:01:00.000+01:00",
    planned=5, judged=5, facts=(("firmware", "1.0"),), files=("report.html",), actual_seconds=12.9,
)  # fmt: skip
FILES = (("report.html", "cd" * 32),)
ENTRIES = (
    CertificateIssued(uid="QI-C-0002", time=NOW, author="A", serial="QM2-00001", run=OPENED.run, sha256="ef" * 32,
                      predecessor="QI-C-0001", reason="typing error"),
    Readiness(uid="r1", time=NOW, author="A", bench="west", ready=True, simulated=False, identities=(("meter", "x"),),
              values=(ReadinessValue(name="open", value=5e-12, unit="F", verdict="pass", upper=8e-12),)),
    Baseline(uid="b1", time=NOW, name="fw-1.0", board="qm2", runs=(OPENED.run,), note="n"),
    Rework(uid="w1", time=NOW, serial="QM2-00001", action="replaced", target="R5", after_run="R", note="n"),
    Lot(uid="l1", time=NOW, lot="2026-11", board="qm2", size=100, components=(("C1", "lot 7"),), note="n"),
    Removal(uid="old", time=NOW, author="A", serial="QM2-00001", run="old", opened=NOW, scope="full", verdict="PASS",
            used_attempt=True, reason="ten years", archive="old.jsonl", archive_sha256="01" * 32),
    Document(uid="d1", time=NOW, name="study", content="{}"),
)  # fmt: skip


def make(folder: Path) -> None:
    """Write both files into a folder."""
    with SqliteStore(str(folder / "record_1.sqlite"), now=lambda: NOW) as store:
        store.open_run(OPENED)
        store.append_all(OPENED.run, READINGS)
        store.close_run(CLOSED)
        store.add_files(OPENED.run, FILES)
        for entry in ENTRIES:
            store.add(entry)
        export(store, folder / "record_1.jsonl", now=NOW)


if __name__ == "__main__":
    make(HERE)
