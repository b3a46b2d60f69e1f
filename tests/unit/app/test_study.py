"""Studies on the simulated bench: planned, blind, interrupted, gone on with, recorded apart from production."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hil.app.open_bench import Insertion, _by_operator
from hil.app.settings import read_settings
from hil.app.study import (
    STUDY,
    TURN,
    Wish,
    evaluate_study,
    is_other_unit,
    load_plan,
    missing_turns,
    plan_study,
    run_study,
    runs_of,
    study_names,
)
from hil.core.records import UnitVerdict
from hil.core.study import StudyPlan, Turn
from hil.errors import Interrupted, UsageError
from hil.files.bench import parse_bench
from hil.runner import CHECKS, plan_unit, run_unit
from hil.store.sqlite_store import SqliteStore

NOW = "2026-11-25T10:00:00.000+00:00"
JIG = (CHECKS / "test_01_jig.py",)


@pytest.fixture
def wish(tmp_path: Path) -> Wish:
    return Wish(
        name="jig", settings=read_settings({"out": str(tmp_path)}, folder=tmp_path), now=NOW, units=("U1", "U2"),
        operators=("Ann", "Ben"), repeats=2, only=("contact_gnd",), seed=3,
        faults=("bench.jig.contact=200mohm", "bench.operator.Ben.contact=100mohm"),
    )  # fmt: skip


def planned(wish: Wish) -> StudyPlan:
    return plan_study(wish, lambda unit_run: plan_unit(unit_run, JIG))


def session(unit_run: Any) -> None:
    run_unit(unit_run, checks=JIG)


def store_of(wish: Wish) -> SqliteStore:
    return SqliteStore(wish.settings.records(simulated=True))


def measured(plan: StudyPlan, wish: Wish, run_session: Callable[..., None] = session, **more: Any) -> list[Turn]:
    return [turn for turn, _ in run_study(plan, wish.settings, run_session, now=NOW, **more)]


def test_a_study_is_kept_measured_and_finds_the_habit(wish: Wish) -> None:
    plan = planned(wish)
    assert plan.rows == plan.needed == ("contact_gnd",)
    told: list[str] = []
    turns = measured(plan, wish, told=lambda plan, turn, done: told.append(f"{done} {turn.operator} {turn.code}"))
    assert turns == list(plan.turns)
    assert told == [f"{turn.number - 1} {turn.operator} {turn.code}" for turn in turns]
    with store_of(wish) as store:
        assert study_names(store) == ("jig",)
        assert load_plan(store, "jig") == load_plan(store, plan.uid) == plan
        _, result = evaluate_study("jig", store)
    (row,) = result.rows
    assert row.values is not None
    assert row.values[:, 1].mean() - row.values[:, 0].mean() == pytest.approx(0.1, abs=0.01)
    assert row.dominant is not None
    assert row.dominant[0] == "operator"


def test_runs_of_a_study_are_no_attempts_and_belong_to_no_lot(wish: Wish) -> None:
    wish = replace(wish, settings=wish.settings.told("--lot", lot="26-11"))
    plan = planned(wish)
    measured(plan, wish)
    with store_of(wish) as store:
        summaries = store.summaries()
        assert len(summaries) == 8
        for one in summaries:
            assert (one.lot, one.verdict, one.only) == ("", UnitVerdict.INCOMPLETE, "contact_gnd")
            assert not one.is_complete
            assert dict(one.facts)[STUDY] == plan.uid
        assert {int(dict(one.facts)[TURN]) for one in summaries} == set(range(1, 9))
        assert {one.operator for one in summaries} == {"Ann", "Ben"}
        assert store.next_attempt("U1") == 1
        assert store.standing_run("U1") is None
    assert sorted(path.name for path in Path(wish.settings["out"]).iterdir()) == ["simulated.sqlite"]


def test_an_interrupted_study_goes_on_where_it_was(wish: Wish) -> None:
    plan = planned(wish)
    count = 0

    def interrupted(unit_run: Any) -> None:
        nonlocal count
        count += 1
        if count == 4:
            unit_run.live = _PressesCtrlC()
        session(unit_run)

    with pytest.raises(KeyboardInterrupt):
        measured(plan, wish, interrupted)
    with store_of(wish) as store:
        assert sorted(runs_of(plan, store)) == [1, 2, 3]
        assert [turn.number for turn in missing_turns(plan, runs_of(plan, store))] == [4, 5, 6, 7, 8]
        assert len(store.summaries()) == 4  # the interrupted run stays in the record
    assert [turn.number for turn in measured(plan, wish)] == [4, 5, 6, 7, 8]
    assert measured(plan, wish) == []
    with store_of(wish) as store:
        assert len(store.summaries()) == 9
        _, result = evaluate_study("jig", store)
        assert result.rows[0].study is not None


class _PressesCtrlC:
    def planned(self, serial: str, plan: Any, *, simulated: bool) -> None: ...
    def measuring(self, row: Any) -> None:
        raise KeyboardInterrupt

    def judged(self, reading: Any) -> None: ...
    def finished(self, closed: Any) -> None: ...


def test_repeats_of_an_insertion_differ_by_noise_and_insertions_by_the_fitting(wish: Wish) -> None:
    faults = ("bench.jig.contact=200mohm", "bench.jig.contact.fitting=40mohm")
    wish = replace(wish, operators=(), fittings=4, repeats=3, faults=faults)
    plan = planned(wish)
    measured(plan, wish)
    with store_of(wish) as store:
        _, result = evaluate_study("jig", store)
    (row,) = result.rows
    assert row.values is not None
    assert row.values.shape == (2, 4, 3)
    within, between = row.values.std(axis=2).mean(), row.values.mean(axis=2).std()
    assert 0 < within < 0.01 < between
    assert row.dominant is not None
    assert row.dominant[0] == "fitting"


def test_who_is_not_at_the_bench_is_waited_for(wish: Wish) -> None:
    plan = planned(wish)
    first = plan.turns[0].operator
    with pytest.raises(Interrupted, match=r"is not at the bench\. Go on later: hil study run jig"):
        measured(plan, wish, ready=lambda turn: turn.operator == first)
    with store_of(wish) as store:
        assert sorted(runs_of(plan, store)) == [1, 2]


def test_a_person_is_told_the_code_and_not_the_serial_number() -> None:
    said: list[str] = []

    class Person:
        def insert(self, serial: str) -> None:
            said.append(serial)

    spec = parse_bench("bench.toml", 'format = 1\nbench = "west"\nkit = "demo"\n')
    _by_operator(spec, Person())(Insertion(serial="Q2-1", label="with the code K47"))  # type: ignore[arg-type]
    assert said == ["with the code K47"]


def test_a_unit_that_says_it_is_another_one_is_taken_again(wish: Wish) -> None:
    """Where the unit is started anyway it is asked for its serial number; codes can be mixed up."""
    wish = replace(wish, only=("aref",), faults=("eeprom=other_serial",))
    plan = plan_study(wish, plan_unit)
    assert plan.rows == ("aref",)
    assert {"start_time", "serial_number"} <= set(plan.needed)
    study = run_study(plan, wish.settings, run_unit, now=NOW)
    _, outcome = next(study)
    study.close()
    assert is_other_unit(outcome.run)
    with store_of(wish) as store:
        assert runs_of(plan, store) == {}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"name": "a b"}, "'a b' is no name for a study"),
        ({"operators": ()}, "either people or fittings"),
        ({"fittings": 2}, "either people or fittings"),
        ({"operators": (), "fittings": 2, "nested": True}, "--nested: fittings are nested"),
        ({"units": ("U1",)}, "two units, two operators and two repeats or more, not 1 units"),
        ({"only": ("contact_gnd", "nothing_*")}, "--only 'nothing_\\*' matches no row of numbers"),
        ({"only": ("model",)}, "--only 'model' matches no row of numbers"),
    ],
)
def test_studies_that_cannot_be_planned(wish: Wish, changes: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        planned(replace(wish, **changes))


def test_a_name_is_used_once_and_a_study_that_is_not_there_is_missed(wish: Wish) -> None:
    planned(wish)
    with pytest.raises(UsageError, match="has a study 'jig' already"):
        planned(wish)
    with store_of(wish) as store:
        with pytest.raises(UsageError, match=r"there is no study 'jug'\. Studies there: jig\."):
            load_plan(store, "jug")
        with pytest.raises(UsageError, match=r"nothing was measured yet\. Measure it with 'hil study run jig'"):
            evaluate_study("jig", store)


def test_a_study_is_gone_on_with_as_it_was_planned(wish: Wish) -> None:
    plan = planned(wish)
    with pytest.raises(UsageError, match="was planned with scope full, and now it is serial_only"):
        measured(plan, replace(wish, settings=wish.settings.told("--scope", scope="serial_only")))
