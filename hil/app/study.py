"""Studies of the bench: plan one and keep it, run it turn by turn, gather what it has read.

The plan is a document of the record. Its runs are runs like any other, through the same checks, told apart by their
facts (`STUDY`, `TURN`); they name the rows they were about, as rework does, so they use up no attempt of a unit, belong
to no lot and carry no certificate. A study that was interrupted goes on where it was.
"""

import secrets
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from hil.app.budgets import budgets_of
from hil.app.check_files import Files, read_files, refuse_serials, unit_run_of
from hil.app.check_unit import Order, Outcome, RunSession, check_in_turn
from hil.app.identity import SERIAL_ROW
from hil.app.open_bench import is_in_process, refuse_simulation_options
from hil.app.settings import Settings
from hil.app.unit_run import UnitRun
from hil.core.ledger import Document
from hil.core.plan import Plan, with_what_they_need
from hil.core.records import Reading, Run, Verdict
from hil.core.study import Design, StudyPlan, Turn, draw_turns
from hil.core.study_result import StudyResult, evaluate
from hil.errors import Interrupted, UsageError
from hil.ports import Operator
from hil.store.sqlite_store import RecordStore, open_store

STUDY, TURN = "study", "study_turn"  # facts of a run: uid of the plan, number of the turn
_SUBJECT = "study "  # of the document, before the study's name


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What ``hil study plan`` was asked for; see `hil.core.study.StudyPlan`."""

    name: str
    settings: Settings
    now: str
    units: tuple[str, ...]
    operators: tuple[str, ...] = ()
    fittings: int = 0
    repeats: int = 3
    nested: bool = False
    only: tuple[str, ...] = ()
    seed: int | None = None
    faults: tuple[str, ...] = ()


PlanRows = Callable[[UnitRun], Plan]


def plan_study(wish: Wish, plan_rows: PlanRows) -> StudyPlan:
    """Plan a study and keep it in the record; touches no hardware.

    Args:
        plan_rows: plans a prepared `UnitRun` (`hil.runner.plan_unit`).

    Raises:
        UsageError: files are wrong, the name is taken, or the study cannot be evaluated.
    """
    files = read_files(wish.settings, today=wish.now[:10])
    refuse_simulation_options(files.bench, seed=None, faults=wish.faults)
    if wish.faults:
        from hil.app.simulated import refuse_unknown_faults  # late: a real bench needs no simulation

        refuse_unknown_faults(files.limits.board, wish.faults)
    _refuse_name(wish.name)
    if bool(wish.operators) == bool(wish.fittings):
        raise UsageError("A study compares either people or fittings: give --operators A,B,… or --fittings N.")
    if wish.nested and wish.fittings:
        raise UsageError("--nested: fittings are nested in their units anyhow; leave it out.")
    design = Design.FITTINGS if wish.fittings else Design.NESTED if wish.nested else Design.CROSSED
    seed = secrets.randbelow(1_000_000) if wish.seed is None else wish.seed
    try:
        turns = draw_turns(
            design, wish.units, wish.operators, fittings=wish.fittings, repeats=wish.repeats, seed=seed
        )  # fmt: skip
    except ValueError as problem:
        raise UsageError(f"{wish.name}: {problem}.") from None
    refuse_serials(wish.units, files.bench)
    rows, needed = _rows(wish, files, plan_rows)
    plan = StudyPlan(
        uid=f"{wish.name}-{wish.now[:19].replace('-', '').replace(':', '')}-{secrets.token_hex(2)}",
        name=wish.name,
        design=design,
        units=wish.units,
        operators=wish.operators,
        fittings=wish.fittings,
        repeats=wish.repeats,
        seed=seed,
        only=wish.only,
        rows=rows,
        needed=needed,
        board=files.limits.board,
        scope=files.scope,
        bench=files.bench.bench,
        limits_sha256=files.limits.sha256,
        simulated=files.bench.simulated,
        faults=wish.faults,
        made=wish.now,
        turns=turns,
    )
    with open_store(wish.settings.records(simulated=plan.simulated)) as store:
        if wish.name in study_names(store):
            raise UsageError(f"{store.database.where}: has a study '{wish.name}' already. Choose another name.")
        store.add(
            Document(
                uid=plan.uid,
                time=wish.now,
                author=wish.settings["operator"],
                name=f"{_SUBJECT}{wish.name}",
                content=plan.as_json(),
            )
        )
    return plan


def _refuse_name(name: str) -> None:
    if not name or not all(letter.isalnum() or letter in "-_." for letter in name):
        raise UsageError(f"'{name}' is no name for a study. Use letters, digits, '-', '_' and '.'.")


def _rows(wish: Wish, files: Files, plan_rows: PlanRows) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of the rows that are studied, and of those that have to be measured for them."""
    plan = plan_rows(unit_run_of(files))
    numeric = {row.name for row in files.rows if row.is_numeric}
    patterns = wish.only or ("*",)
    for pattern in patterns:
        if not any(fnmatchcase(name, pattern) for name in numeric):
            raise UsageError(
                f"--only '{pattern}' matches no row of numbers in scope '{files.scope}'. 'hil plan' lists the rows."
            )
    missing = {role for role, _ in plan.missing_roles}
    chosen = [
        row.name
        for row in plan.rows
        if row.name in numeric
        and not missing & set(row.needs)
        and any(fnmatchcase(row.name, pattern) for pattern in patterns)
    ]
    if not chosen:
        raise UsageError(
            f"bench '{files.bench.bench}' has no {sorted(missing)[0]}: none of these rows can be measured."
        )
    needed = set(with_what_they_need(chosen, plan.rows))
    # Codes can be mixed up: where the unit is started anyway, it is asked who it is.
    asking = with_what_they_need([SERIAL_ROW], plan.rows)
    group = {row.name for row in plan.rows if row.name in asking and row.group == _group_of(SERIAL_ROW, plan)}
    if group and needed.issuperset(set(asking) - group):
        needed.update(asking)
    return tuple(chosen), tuple(row.name for row in plan.rows if row.name in needed)


def _group_of(name: str, plan: Plan) -> str:
    return next((row.group for row in plan.rows if row.name == name), "")


def study_names(store: RecordStore) -> tuple[str, ...]:
    """Names of all studies in a record."""
    names = (one.name for one in store.entries(Document) if one.name.startswith(_SUBJECT))
    return tuple(dict.fromkeys(name.removeprefix(_SUBJECT) for name in names))


def load_plan(store: RecordStore, name: str) -> StudyPlan:
    """The plan of a study, by its name or, where records of several benches share names, by its uid.

    Raises:
        UsageError: there is none, or more than one of that name.
    """
    named = store.entries(Document, subject=f"{_SUBJECT}{name}")
    found = named or tuple(one for one in store.entries(Document) if one.uid == name and one.name.startswith(_SUBJECT))
    where = store.database.where
    if not found:
        known = ", ".join(study_names(store)) or "none"
        raise UsageError(f"{where}: there is no study '{name}'. Studies there: {known}. 'hil study plan' makes one.")
    if len(found) > 1:
        raise UsageError(
            f"{where}: has {len(found)} studies '{name}'. Name one: {', '.join(one.uid for one in found)}."
        )
    try:
        return StudyPlan.from_json(found[0].content)
    except ValueError as problem:
        raise UsageError(f"{where}: the plan of study '{name}' cannot be used: {problem}.") from None


def runs_of(plan: StudyPlan, store: RecordStore) -> dict[int, Run]:
    """The run that counts for each turn that is done: the last recorded one that read all rows."""
    done: dict[int, Run] = {}
    for summary in sorted(store.summaries(), key=lambda one: one.run_no):  # simulated clocks all begin at one time
        facts = dict(summary.facts)
        if facts.get(STUDY) == plan.uid and summary.is_closed:
            run = store.run(summary.run)
            if _is_whole(run, plan):
                done[int(facts[TURN])] = run
    return done


def is_other_unit(run: Run) -> bool:
    """Whether the unit in the jig said that it is another one."""
    return any(one.name == SERIAL_ROW and one.verdict is Verdict.FAIL for one in run.readings)


def _is_whole(run: Run, plan: StudyPlan) -> bool:
    if is_other_unit(run):
        return False
    judged = {one.name for one in run.readings if one.verdict is not Verdict.NOT_MEASURED}
    return judged.issuperset(plan.rows)


Told = Callable[[StudyPlan, Turn, int], None]  # plan, the turn that begins, how many are done


def run_study(
    plan: StudyPlan,
    settings: Settings,
    run_session: RunSession,
    *,
    now: str,
    operator: Operator | None = None,
    told: Told = lambda plan, turn, done: None,
    ready: Callable[[Turn], bool] = lambda turn: True,
) -> Iterator[tuple[Turn, Outcome]]:
    """Take the turns that are still missing, in the order of the plan; each is durable before the next one begins.

    Args:
        run_session: as for `hil.app.check_unit.check_units`.
        told: hears of each turn before it begins.
        ready: asked when it is another operator's turn: whether that person is at the bench.

    Raises:
        UsageError: limits or bench are not those of the plan.
        BenchError: the bench is in trouble; what was measured stays in the record.
        Interrupted: the next operator is not there.
        KeyboardInterrupt: the study can be gone on with later.
    """
    files = read_files(settings, today=now[:10])
    _refuse_changed(plan, files)
    with open_store(settings.records(simulated=plan.simulated)) as store:
        done = set(runs_of(plan, store))
    chosen = frozenset(plan.needed)
    files = replace(files, rows=tuple(row for row in files.rows if row.name in chosen))
    pending = plan.pending(done)
    if not pending:
        return
    current: list[Turn] = []
    seed = plan.seed if is_in_process(files.bench) else None

    def order_of(turn: Turn) -> Order:
        return _order(plan, turn, settings, now, seed)

    def turns() -> Iterator[tuple[str, Order]]:
        at_the_bench = None
        for turn in pending:
            if turn.operator and turn.operator != at_the_bench and not ready(turn):
                raise Interrupted(f"{turn.operator} is not at the bench. Go on later: hil study run {plan.name}")
            at_the_bench = turn.operator
            told(plan, turn, len(done))
            current[:] = [turn]
            yield turn.serial, order_of(turn)
            done.add(turn.number)

    for outcome in check_in_turn(
        turns(), order_of(pending[0]), files, run_session, operator=operator, budget_for=budgets_of
    ):
        yield current[0], outcome
        if outcome.exit_code >= 3:
            return


def _order(plan: StudyPlan, turn: Turn, settings: Settings, now: str, seed: int | None) -> Order:
    told = {"lot": ""} | ({"operator": turn.operator} if turn.operator else {})
    return Order(
        serials=(turn.serial,),
        settings=settings.told(f"study {plan.name}", **told),
        now=now,
        only=" ".join(plan.only) or "*",
        seed=seed,
        faults=plan.faults,
        facts=((STUDY, plan.uid), (TURN, str(turn.number))),
        insertion=plan.together(turn)[0].number,
        label=f"with the code {turn.code}",
        stays=turn.stays,
    )


def _refuse_changed(plan: StudyPlan, files: Files) -> None:
    for what, was, now in (
        ("bench", plan.bench, files.bench.bench),
        ("limits", plan.limits_sha256[:12], files.limits.sha256[:12]),
        ("scope", plan.scope, files.scope),
    ):
        if was != now:
            raise UsageError(
                f"study '{plan.name}' was planned with {what} {was}, and now it is {now}. "
                "Choose the same again, or plan another study."
            )


def readings_of(plan: StudyPlan, runs: dict[int, Run]) -> dict[str, dict[tuple[int, int, int], Reading]]:
    """Row -> place in the array -> reading, of the turns that are done."""
    rows = frozenset(plan.rows)
    found: dict[str, dict[tuple[int, int, int], Reading]] = {name: {} for name in plan.rows}
    for turn in plan.turns:
        run = runs.get(turn.number)
        for reading in run.readings if run is not None else ():
            if reading.name in rows:
                found[reading.name][turn.place] = reading
    return found


def missing_turns(plan: StudyPlan, runs: dict[int, Run]) -> Sequence[Turn]:
    """Turns that are still to be taken."""
    return plan.pending(runs.keys())


def evaluate_study(name: str, store: RecordStore, *, confidence: float = 0.95) -> tuple[StudyPlan, StudyResult]:
    """The plan of a study and what its readings say.

    Raises:
        UsageError: there is no such study, or nothing of it was measured.
    """
    plan = load_plan(store, name)
    runs = runs_of(plan, store)
    if not runs:
        raise UsageError(f"study '{name}': nothing was measured yet. Measure it with 'hil study run {name}'.")
    parts = {part.name: part.expanded_uncertainty for run in runs.values() for part in run.opened.parts}
    return plan, evaluate(plan, readings_of(plan, runs), part_uncertainties=parts, confidence=confidence)
