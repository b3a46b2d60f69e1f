"""The plugin: rows become items, what happens in a check becomes the record. The bench here is a scripted one."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from hil.app.recorder import Recorder
from hil.app.unit_run import UnitRun
from hil.core.equipment import Kit
from hil.core.limit import Limit
from hil.core.plan import Plan
from hil.core.records import Reading, RunClosed, RunOpened, UnitVerdict, Verdict
from hil.errors import BenchError, UsageError
from hil.real.trace import Trace
from hil.runner import BoardSession, plan_unit, run_unit
from hil.sim.clock import SimClock

HEAD = "import pytest\nfrom hil import BenchError, MeterSilent, check\n\n"


class Memory:
    """A store that keeps everything in the order it came."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.closed: RunClosed | None = None

    def append(self, run: str, reading: Reading) -> None:
        self.readings.append(reading)

    def close_run(self, closed: RunClosed) -> None:
        self.closed = closed


class Quiet:
    """A meter that starts and a supply that obeys."""

    def __init__(self) -> None:
        self.calls: list[str] = []

    def __getattr__(self, name: str) -> Callable[..., None]:
        return lambda *_args, **_named: self.calls.append(name)


@dataclass
class ScriptedBench:
    """As much of `hil.app.open_bench.Bench` as the plugin touches."""

    clock: SimClock = field(default_factory=SimClock)
    trace: Trace = field(default_factory=Trace)
    meter: Any = field(default_factory=Quiet)
    supply: Any = field(default_factory=Quiet)
    operator: Any = field(default_factory=Quiet)
    selector: Any = field(default_factory=Quiet)
    voltmeter: Any = None
    counter: Any = None
    generator: Any = None
    thermometer: Any = None
    programmer: Any = None
    made_safe: int = 0

    def make_safe(self) -> None:
        self.made_safe += 1


@dataclass
class Session:
    unit_run: UnitRun
    store: Memory
    bench: ScriptedBench

    @property
    def verdicts(self) -> dict[str, Verdict]:
        return {reading.name: reading.verdict for reading in self.store.readings}

    @property
    def reasons(self) -> dict[str, str]:
        return {reading.name: reading.reason for reading in self.store.readings}

    @property
    def verdict(self) -> UnitVerdict:
        assert self.store.closed is not None
        return self.store.closed.verdict


def opening(plan: Plan) -> RunOpened:
    words = dict.fromkeys(
        ("retest_reason", "only", "limits_file", "limits_revision", "limits_sha256", "kit_file", "bench", "bench_file",
         "operator", "lot", "suite_version"),
        "",
    )  # fmt: skip
    return RunOpened(
        run="r1", serial="Q2-1", board="qm2", attempt=1, attempts_allowed=3, scope="full", simulated=True, seed=0,
        faults=(), opened="2026-01-01T00:00:00+00:00", planned=tuple(row.name for row in plan.rows), outside_scope=(),
        **words,
    )  # fmt: skip


@pytest.fixture
def session(tmp_path: Path) -> Callable[..., Session]:
    def prepare(
        checks: str, *names: str, roles: str = "supply meter operator", stop_at_first_fail: bool = False
    ) -> Session:
        (tmp_path / "test_some.py").write_text(HEAD + checks)
        store, bench = Memory(), ScriptedBench()
        rows = [Limit(name=name, unit="V", lower=0.0, upper=1.0, reason="test") for name in names]

        def begin(plan: Plan) -> Any:
            return bench, Recorder(store, opening(plan), plan, bench.clock, lambda reading: None)  # type: ignore[arg-type]

        unit_run = UnitRun(
            serial="Q2-1",
            scope="full",
            rows=rows,
            outside_scope=(),
            available_roles=frozenset(roles.split()),
            kit=Kit(kit="none", parts={}, file="none"),
            open=begin,
            stop_at_first_fail=stop_at_first_fail,
        )
        return Session(unit_run, store, bench)

    return prepare


def run(session: Session, tmp_path: Path) -> Session:
    run_unit(session.unit_run, checks=[tmp_path / "test_some.py"])
    return session


def test_one_item_per_matching_row(session: Callable[..., Session], tmp_path: Path) -> None:
    found = run(
        session(
            '@check(reads="rail_*", power="any")\ndef test_rail(row, judge):\n    judge(row, 0.5)\n', "rail_a", "rail_b"
        ),
        tmp_path,
    )
    assert found.verdicts == {"rail_a": Verdict.PASS, "rail_b": Verdict.PASS}
    assert found.verdict is UnitVerdict.PASS
    assert found.bench.made_safe == 1


def test_a_row_nobody_reads_is_planned_as_unread(session: Callable[..., Session], tmp_path: Path) -> None:
    prepared = session(
        '@check(reads="rail_*", power="any")\ndef test_rail(row, judge): judge(row, 0.5)\n', "rail_a", "x"
    )
    assert plan_unit(prepared.unit_run, [tmp_path / "test_some.py"]).unread == ("x",)
    assert not prepared.unit_run.has_begun


def test_two_checks_for_one_row_are_refused(session: Callable[..., Session], tmp_path: Path) -> None:
    prepared = session(
        '@check(reads="a", power="any")\ndef test_one(row, judge): judge(row, 0.5)\n'
        '@check(reads="a", power="any")\ndef test_two(row, judge): judge(row, 0.5)\n',
        "a",
    )
    with pytest.raises(UsageError, match=r"a: read by test_some.py::test_one and by test_some.py::test_two\. Change"):
        run(prepared, tmp_path)
    assert prepared.store.readings == []


def test_what_comes_after_a_failure_is_not_measured_and_not_powered(
    session: Callable[..., Session], tmp_path: Path
) -> None:
    found = run(
        session(
            '@check(reads="first", power="any")\ndef test_first(row, judge): judge(row, 2.0)\n'
            '@check(reads="second", after="first", power="on")\ndef test_second(row, judge): judge(row, 0.5)\n',
            "first",
            "second",
        ),
        tmp_path,
    )
    assert found.verdicts == {"first": Verdict.FAIL, "second": Verdict.NOT_MEASURED}
    assert found.reasons["second"] == "comes after first, which failed"
    assert "on" not in found.bench.supply.calls
    assert found.verdict is UnitVerdict.FAIL


def test_a_missing_role_is_named_with_the_remedy(session: Callable[..., Session], tmp_path: Path) -> None:
    found = run(
        session('@check(reads="a", needs="counter", power="any")\ndef test_a(row, judge): judge(row, 0.5)\n', "a"),
        tmp_path,
    )
    assert found.reasons["a"].startswith("the bench has no counter. Add [role.counter] to the bench file")
    assert found.verdict is UnitVerdict.INCOMPLETE


def test_a_check_that_does_not_judge_is_not_measured(session: Callable[..., Session], tmp_path: Path) -> None:
    found = run(session('@check(reads="a", power="any")\ndef test_a(row): pass\n', "a"), tmp_path)
    assert found.reasons["a"] == "the check ended without judging this row; it must call judge(row, value)"
    assert found.verdict is UnitVerdict.INCOMPLETE


def test_skipping_a_row_never_passes(session: Callable[..., Session], tmp_path: Path) -> None:
    found = run(session('@check(reads="a", power="any")\ndef test_a(row): pytest.skip("no time")\n', "a"), tmp_path)
    assert found.verdicts == {"a": Verdict.NOT_MEASURED}
    assert found.verdict is UnitVerdict.INCOMPLETE


def test_judging_twice_is_an_internal_error(session: Callable[..., Session], tmp_path: Path) -> None:
    found = run(
        session('@check(reads="a b", power="any")\ndef test_a(row, judge):\n    judge(row, 0.5)\n    judge(row, 0.6)\n',
                "a", "b"),
        tmp_path,
    )  # fmt: skip
    assert found.verdicts == {"a": Verdict.PASS}
    assert found.verdict is UnitVerdict.INCOMPLETE
    assert "internal error" in str(found.unit_run.trouble)


def test_a_silent_unit_fails_the_row_and_the_run_goes_on(session: Callable[..., Session], tmp_path: Path) -> None:
    found = run(
        session(
            '@check(reads="a", power="any")\ndef test_a(row): raise MeterSilent("no answer to READ? in 2 s")\n'
            '@check(reads="b", power="any")\ndef test_b(row, judge): judge(row, 0.5)\n',
            "a",
            "b",
        ),
        tmp_path,
    )
    assert found.verdicts == {"a": Verdict.FAIL, "b": Verdict.PASS}
    assert found.reasons["a"] == "no answer to READ? in 2 s"
    assert found.verdict is UnitVerdict.FAIL


@pytest.mark.parametrize("error", ['BenchError("the jig has a bad contact")', 'ZeroDivisionError("oops")'])
def test_trouble_ends_the_run_and_is_never_fail(session: Callable[..., Session], tmp_path: Path, error: str) -> None:
    found = run(
        session(
            f'@check(reads="a", power="any")\ndef test_a(row): raise {error}\n'
            '@check(reads="b", power="any")\ndef test_b(row, judge): judge(row, 0.5)\n',
            "a",
            "b",
        ),
        tmp_path,
    )
    assert found.verdicts == {"a": Verdict.NOT_MEASURED}
    assert found.verdict is UnitVerdict.INCOMPLETE
    assert isinstance(found.unit_run.trouble, BenchError)
    assert found.bench.made_safe == 1


def test_ctrl_c_closes_the_run_with_what_was_read(session: Callable[..., Session], tmp_path: Path) -> None:
    prepared = session(
        '@check(reads="a", power="any")\ndef test_a(row, judge): judge(row, 0.5)\n'
        '@check(reads="b", power="any")\ndef test_b(row): raise KeyboardInterrupt\n',
        "a",
        "b",
    )
    with pytest.raises(KeyboardInterrupt):
        run(prepared, tmp_path)
    assert prepared.verdicts == {"a": Verdict.PASS, "b": Verdict.NOT_MEASURED}
    assert prepared.store.closed is not None
    assert prepared.store.closed.reason == "interrupted by the operator"
    assert prepared.bench.made_safe == 1


def test_production_stops_at_the_first_fail(session: Callable[..., Session], tmp_path: Path) -> None:
    checks = '@check(reads="a b c", power="any")\ndef test_a(row, judge): judge(row, float(row.name == "b") * 2)\n'
    found = run(session(checks, "a", "b", "c", stop_at_first_fail=True), tmp_path)
    assert found.verdicts == {"a": Verdict.PASS, "b": Verdict.FAIL}


def test_a_check_gets_only_what_it_declares(session: Callable[..., Session], tmp_path: Path) -> None:
    prepared = session('@check(reads="a", power="any")\ndef test_a(row, supply, judge): judge(row, 0.5)\n', "a")
    with pytest.raises(UsageError, match="uses supply; add it to needs= of its @check"):
        run(prepared, tmp_path)
    assert not prepared.unit_run.has_begun


def test_a_broken_check_file_touches_nothing(session: Callable[..., Session], tmp_path: Path) -> None:
    prepared = session("def test_(:\n", "a")
    with pytest.raises(UsageError, match="A check cannot be read"):
        run(prepared, tmp_path)
    assert not prepared.unit_run.has_begun


def test_settings_from_outside_change_nothing(
    session: Callable[..., Session], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTEST_ADDOPTS", "-k nothing --maxfail=1")
    monkeypatch.setenv("PYTEST_PLUGINS", "no_such_plugin")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "conftest.py").write_text("raise RuntimeError('a conftest that is not ours')\n")
    (tmp_path / "pytest.ini").write_text("[pytest]\naddopts = -k nothing\n")
    found = run(
        session('@check(reads="a b", power="any")\ndef test_a(row, judge): judge(row, 0.5)\n', "a", "b"), tmp_path
    )
    assert found.verdict is UnitVerdict.PASS
    assert len(found.store.readings) == 2


AFTER = (
    '@check(reads="first", power="any")\ndef test_first(row, judge): judge(row, 0.5)\n'
    '@check(reads="other", power="any")\ndef test_other(row, judge): judge(row, 0.5)\n'
    '@check(reads="second", after="fir*", power="any")\ndef test_second(row, judge): judge(row, 0.5)\n'
)


def test_what_is_asked_for_brings_what_it_comes_after(session: Callable[..., Session], tmp_path: Path) -> None:
    prepared = session(AFTER, "first", "other", "second", "unread")
    prepared.unit_run.only = "sec*"
    run(prepared, tmp_path)
    assert prepared.verdicts == {"first": Verdict.PASS, "second": Verdict.PASS}
    assert prepared.unit_run.plan is not None
    assert prepared.unit_run.plan.unread == ()  # not asked for


def test_a_check_that_comes_after_nothing_there_is_refused(session: Callable[..., Session], tmp_path: Path) -> None:
    prepared = session(AFTER.replace("fir*", "furst"), "first", "second")
    with pytest.raises(
        UsageError, match=r"test_some.py::test_second comes after 'furst', which is no row of the limits"
    ):
        run(prepared, tmp_path)
    assert prepared.store.readings == []


def test_what_went_wrong_once_a_row_was_judged_stops_what_comes_after(
    session: Callable[..., Session], tmp_path: Path
) -> None:
    """The reading stands, durable as it is; that its adjustment was not taken must not be lost all the same."""
    checks = (
        '@check(reads="first", power="any")\ndef test_first(row, judge):\n    judge(row, 0.5)\n'
        '    raise MeterSilent("the meter does not answer")\n'
        '@check(reads="second", after="first", power="any")\ndef test_second(row, judge): judge(row, 0.5)\n'
        '@check(reads="third", after="second", power="any")\ndef test_third(row, judge): judge(row, 0.5)\n'
    )
    found = run(session(checks, "first", "second", "third"), tmp_path)
    assert found.verdicts == {"first": Verdict.PASS, "second": Verdict.NOT_MEASURED, "third": Verdict.NOT_MEASURED}
    why = "comes after first, and once that was judged, the meter does not answer"
    assert found.reasons["second"] == why
    assert found.reasons["third"] == why  # the root of it, not the row before
    assert found.verdict is UnitVerdict.INCOMPLETE


OWN = """
import pytest
@pytest.fixture(scope="session")
def count(unit_run): return [unit_run.serial]
@check(reads="*", power="any")
def test_some(row, judge, count, unit_run):
    count.append(row.name)
    if unit_run.serial == "BAD" and row.name == "b":
        raise BenchError("voltmeter: no answer")
    judge(row, 0.5, notes=(" ".join(count),))
"""


def test_a_session_serves_one_unit_after_the_other_and_each_has_fixtures_of_its_own(
    session: Callable[..., Session], tmp_path: Path
) -> None:
    units = [session(OWN, "a", "b") for _ in range(3)]
    for unit, serial in zip(units, ("FIRST", "BAD", "LAST"), strict=True):
        unit.unit_run.serial = serial
    with BoardSession([tmp_path / "test_some.py"]) as opened:
        for unit in units:
            opened(unit.unit_run)
    assert [unit.unit_run.plan for unit in units] == [units[0].unit_run.plan] * 3
    assert [[one.notes for one in unit.store.readings] for unit in units] == [
        [("FIRST a",), ("FIRST a b",)],
        [("BAD a",), ()],
        [("LAST a",), ("LAST a b",)],
    ]
    assert [unit.verdict for unit in units] == [UnitVerdict.PASS, UnitVerdict.INCOMPLETE, UnitVerdict.PASS]
    assert [unit.bench.made_safe for unit in units] == [1, 1, 1]


def test_ctrl_c_ends_a_unit_and_not_the_session(session: Callable[..., Session], tmp_path: Path) -> None:
    first, second = session(OWN, "a", "b"), session(OWN, "a", "b")

    def pressed(reading: Reading) -> None:
        raise KeyboardInterrupt

    with BoardSession([tmp_path / "test_some.py"]) as opened:
        assert first.unit_run.open is not None
        begin = first.unit_run.open

        def told(plan: Plan) -> Any:
            bench, recorder = begin(plan)
            recorder._on_reading = pressed
            return bench, recorder

        first.unit_run.open = told
        with pytest.raises(KeyboardInterrupt):
            opened(first.unit_run)
        opened(second.unit_run)
    assert (first.verdict, second.verdict) == (UnitVerdict.INCOMPLETE, UnitVerdict.PASS)
    assert first.bench.made_safe == 1


def test_units_with_other_rows_are_collected_anew(session: Callable[..., Session], tmp_path: Path) -> None:
    first, second = session(OWN, "a"), session(OWN, "a", "b")
    with BoardSession([tmp_path / "test_some.py"]) as opened:
        opened(first.unit_run)
        opened(second.unit_run)
    assert (list(first.verdicts), list(second.verdicts)) == (["a"], ["a", "b"])


def test_what_comes_after_whatever_comes_of_it_is_measured(session: Callable[..., Session], tmp_path: Path) -> None:
    checks = (
        '@check(reads="first", power="any")\ndef test_first(row, judge): judge(row, 2.0)\n'
        '@check(reads="second", after="~first", power="any")\ndef test_second(row, judge): judge(row, 0.5)\n'
    )
    prepared = session(checks, "first", "second")
    prepared.unit_run.only = "second"
    run(prepared, tmp_path)
    assert prepared.verdicts == {"first": Verdict.FAIL, "second": Verdict.PASS}
