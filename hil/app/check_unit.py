"""Check units: from settings and files to a closed run, its verdict and its files.

The files are read and everything about them is refused before the bench is opened; the bench is opened before the
first unit and serves all units of a call.
"""

import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

import hil
from hil.app.check_files import (
    Files,
    read_files,
    refuse_image,
    refuse_parts,
    refuse_serials,
    unit_run_of,
    value_today,
)
from hil.app.expected import refuse_empty_zones
from hil.app.identity import given_before, other_board
from hil.app.limits_release import require_released
from hil.app.locate import netlist_sha256
from hil.app.open_bench import Bench, open_bench, refuse_simulation_options
from hil.app.readiness import latest, refuse_changed, refuse_out_of_control, refuse_unready
from hil.app.recorder import MICROSECONDS, Recorder
from hil.app.settings import Settings
from hil.app.unit_run import BudgetFor, Live, UnitRun, Unwatched
from hil.core.equipment import Part
from hil.core.judge import EXIT_CODES
from hil.core.ledger import Readiness
from hil.core.limit import Limits
from hil.core.plan import Plan
from hil.core.records import PartUsed, Run, RunOpened, UnitVerdict
from hil.errors import BenchError, HilError, Interrupted, UsageError
from hil.files.bench import BenchFile
from hil.ports import Operator
from hil.store.sqlite_store import SqliteStore

RunSession = Callable[[UnitRun], None]
Made = Callable[[], Sequence[Path]]  # waits for the files of a run; BenchError when they cannot be written


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What `hil check` was asked for.

    Args:
        serials: serial numbers; what is wrong with each simulated unit in `faults`, for all of them, and in
            `faults_of` for single ones.
        only: patterns of row names for rework; rows bring those that they come after; INCOMPLETE at best.
        seed: of everything random on the simulated bench.
        retest_reason: why a unit is checked again.
        facts: what is known of the units beforehand, for the record: component lots, condition, …
        image: firmware image for the programming command.
        firmware: ELF that stands in for the device model on the simulated bench.
        insertion: the how-manieth time the unit is put in (studies); changes the noise of the simulated bench.
        label: what the operator is told instead of the serial number (blind studies).
        stays: the unit is in the jig already and is not put in anew.
    """

    serials: tuple[str, ...]
    settings: Settings
    now: str  # ISO 8601, from the clock on the wall
    only: str = ""
    seed: int | None = None
    faults: tuple[str, ...] = ()
    faults_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    retest_reason: str = ""
    facts: tuple[tuple[str, str], ...] = ()
    image: str = ""
    firmware: str = ""
    stop_at_first_fail: bool = False
    order: tuple[str, ...] = ()
    insertion: int | None = None
    label: str = ""
    stays: bool = False

    @property
    def today(self) -> str:
        """ISO date."""
        return self.now[:10]

    def faults_in(self, serial: str) -> tuple[str, ...]:
        """What is wrong with one simulated unit."""
        return (*self.faults, *self.faults_of.get(serial, ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One unit of a call: the run as recorded, and the exit code it means."""

    run: Run
    exit_code: int
    trouble: str = ""
    warnings: tuple[str, ...] = ()  # signs that the unit is another board than before
    folder: Path = field(default_factory=Path)
    made: Made = tuple  # waits for the files of the run and names them


def check_units(
    order: Order,
    run_session: RunSession,
    *,
    live: Live | None = None,
    operator: Operator | None = None,
    budget_for: Callable[[BenchFile, str], BudgetFor] | None = None,
    after: Callable[[Run, SqliteStore, Path, str], Made] | None = None,
) -> Iterator[Outcome]:
    """Check the units of an order, one after the other; each outcome is given out as soon as its run is closed.

    Args:
        run_session: runs the prepared `UnitRun` (`hil.runner.BoardSession`).
        after: makes the files of a closed run, given the run, the record, the folder and the time; its answer waits
            for them.

    Raises:
        UsageError: before anything was touched.
        BenchError: the bench cannot be opened, or got into trouble; the run is closed and recorded.
        KeyboardInterrupt: likewise.
    """
    settings = order.settings
    files = read_files(settings, today=order.today, only=order.only)
    require_released(settings["limits"], files.limits, only=order.only)
    refuse_simulation_options(files.bench, seed=order.seed, faults=(*order.faults, *sum(order.faults_of.values(), ())))
    refuse_serials(order.serials, files.bench)
    _refuse_attempts(order, files)
    turns = ((serial, order) for serial in order.serials)
    yield from check_in_turn(
        turns, order, files, run_session, live=live, operator=operator, budget_for=budget_for, after=after
    )


def check_in_turn(
    turns: Iterable[tuple[str, Order]],
    first: Order,
    files: Files,
    run_session: RunSession,
    *,
    live: Live | None = None,
    operator: Operator | None = None,
    budget_for: Callable[[BenchFile, str], BudgetFor] | None = None,
    after: Callable[[Run, SqliteStore, Path, str], Made] | None = None,
) -> Iterator[Outcome]:
    """Check one serial number after the other, each by an order of its own, on one bench that stays open.

    Args:
        first: the order that the bench is opened for: its settings, seed and firmware.

    Raises:
        BenchError: see `check_units`.
        KeyboardInterrupt: likewise.
    """
    settings = first.settings
    with ExitStack() as stack:
        opened: list[tuple[Bench, SqliteStore]] = []
        readiness: list[str] = []

        def bench_and_store() -> tuple[Bench, SqliteStore]:
            if not opened:
                ready = _ready(files.bench, settings, first.now)
                bench = stack.enter_context(
                    open_bench(
                        files.bench,
                        files.kit,
                        board=files.limits.board,
                        seed=first.seed,
                        operator=operator,
                        firmware=first.firmware,
                    )
                )
                if ready is not None:
                    refuse_changed(ready, bench)
                    readiness.append(ready.time)
                store = SqliteStore(settings.records(simulated=bench.simulated), simulated=bench.simulated)
                stack.callback(store.close)
                opened.append((bench, store))
            return opened[0]

        for serial, order in turns:
            yield _check_unit(serial, order, files, bench_and_store, readiness, run_session, live, budget_for, after)


def _ready(bench: BenchFile, settings: Settings, now: str) -> Readiness | None:
    """The readiness check that a bench rests on; a simulated bench needs none, but must not be out of control.

    Raises:
        BenchError: a real bench has none, or not a good and recent one; or a rule of a control chart has fired.
    """
    where = settings.records(simulated=bench.simulated)
    if bench.simulated and not Path(where).is_file():
        return None
    with SqliteStore(where) as store:
        if not bench.simulated:
            return refuse_unready(bench, store, now=now)
        refuse_out_of_control(bench, store)
        entry = latest(bench, store)
        return entry if entry is not None and entry.ready else None


def _check_unit(
    serial: str,
    order: Order,
    files: Files,
    bench_and_store: Callable[[], tuple[Bench, SqliteStore]],
    readiness: Sequence[str],
    run_session: RunSession,
    live: Live | None,
    budget_for: Callable[[BenchFile, str], BudgetFor] | None,
    after: Callable[[Run, SqliteStore, Path, str], Made] | None,
) -> Outcome:
    settings = order.settings
    moment = order.now[:19].replace("-", "").replace(":", "").replace("T", "-")
    run_id = f"{moment}-{serial}-{secrets.token_hex(3)}"
    folder = settings.out / serial / run_id

    def begin(plan: Plan) -> tuple[Bench, Recorder]:
        if files.only:
            refuse_parts(files, [row.name for row in plan.rows], order.today)
        refuse_image(order.image, files, plan)
        if budget_for is not None:
            refuse_empty_zones(files.rows, files.bench, files.kit, plan.rows, order.today)
        bench, store = bench_and_store()
        attempt = store.next_attempt(serial, scope=files.scope, only=order.only)
        _refuse_attempt(serial, attempt, order, files.limits)
        if after is not None:
            _make(folder)
        if not bench.simulated:  # a simulated unit comes blank into every call
            unit_run.state["number_taken"] = given_before(store, serial)
        if order.stays:
            bench.keep()
        else:
            bench.insert(
                serial,
                attempt=order.insertion or attempt,
                faults=order.faults_in(serial),
                person=settings["operator"],
                label=order.label,
            )
        opening = replace(
            opening_of(run_id, serial, attempt, order, files, bench, plan), readiness=readiness[0] if readiness else ""
        )
        store.open_run(opening)
        unit_run.budget_for = budget_for(files.bench, order.today) if budget_for is not None else None
        return bench, Recorder(store, opening, plan, bench.clock, unit_run.live.judged)

    unit_run = replace(
        unit_run_of(files),
        serial=serial,
        open=begin,
        live=live or Unwatched(),
        stop_at_first_fail=order.stop_at_first_fail,
        order=order.order,
        image=order.image,
    )
    interrupt: BaseException | None = None
    try:
        run_session(unit_run)
    except (KeyboardInterrupt, Interrupted) as stop:
        interrupt = stop
        if not unit_run.has_begun:
            raise
    assert unit_run.closed is not None  # run_session raises when the run did not begin
    bench, store = bench_and_store()
    trouble = unit_run.trouble
    outcome = Outcome(
        run=store.run(run_id), exit_code=_exit_code(unit_run.closed.verdict, trouble), folder=folder,
        trouble=str(trouble or ""),
    )  # fmt: skip
    of_firmware = tuple(filter(None, (bench.firmware_trouble(),)))
    outcome = replace(outcome, warnings=(*other_board(store, outcome.run), *of_firmware))
    if after is not None:
        outcome = replace(outcome, made=after(outcome.run, store, folder, order.now))
    if interrupt is not None:
        outcome.made()
        if order.label:  # who measures in a blind study learns no serial number
            raise interrupt
        kept = f"{serial}: {unit_run.closed.judged} of {unit_run.closed.planned} rows were judged and are kept"
        raise type(interrupt)(f"{kept}: hil show {run_id}. {interrupt}".rstrip())
    return outcome


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(f"{folder}: cannot be made ({problem.strerror}). Choose another folder with --out.") from None


def _exit_code(verdict: UnitVerdict, trouble: BaseException | None) -> int:
    if isinstance(trouble, HilError) and not isinstance(trouble, Interrupted):
        return 3 if isinstance(trouble, BenchError) else 4
    return EXIT_CODES[verdict]


def _refuse_attempts(order: Order, files: Files) -> None:
    """What the record says against a unit is said before the bench is opened and before other units are checked."""
    where = order.settings.records(simulated=files.bench.simulated)
    if "://" not in where and not Path(where).is_file():
        return
    with SqliteStore(where, simulated=files.bench.simulated) as store:
        for serial in order.serials:
            attempt = store.next_attempt(serial, scope=files.scope, only=order.only)
            _refuse_attempt(serial, attempt, order, files.limits)


def _refuse_attempt(serial: str, attempt: int, order: Order, limits: Limits) -> None:
    if order.only or attempt == 1:
        return
    if attempt > limits.attempts:
        raise UsageError(
            f"{serial}: all {limits.attempts} attempts of {limits.file} are used. Rework it with --only, "
            "or raise 'attempts' in the limits file."
        )
    if not order.retest_reason:
        raise UsageError(f"{serial}: was checked before; attempt {attempt} needs a reason. Give --retest 'REASON'.")


def opening_of(
    run_id: str, serial: str, attempt: int, order: Order, files: Files, bench: Bench, plan: Plan
) -> RunOpened:
    """Everything known about a run before the unit is touched."""
    settings = order.settings
    used = {row.part for row in plan.rows if row.part}
    return RunOpened(
        run=run_id,
        serial=serial,
        board=files.limits.board,
        attempt=attempt,
        attempts_allowed=files.limits.attempts,
        # One call may bring new units and old ones; a rework run belongs to the attempt before it, and says why.
        retest_reason=order.retest_reason if attempt > 1 or order.only else "",
        scope=files.scope,
        only=order.only,
        planned=(*(row.name for row in plan.rows), *plan.unread),
        outside_scope=plan.outside_scope,
        limits_file=files.limits.file,
        limits_revision=files.limits.revision,
        limits_sha256=files.limits.sha256,
        netlist_sha256=netlist_sha256(files.limits.board),
        kit_file=files.kit.file,
        bench=files.bench.bench,
        bench_file=files.bench.file,
        operator=settings["operator"],
        lot=settings["lot"],
        simulated=bench.simulated,
        seed=(order.seed or 0) if bench.simulated else None,
        faults=order.faults_in(serial),
        opened=bench.clock.now(),
        suite_version=hil.__version__,
        instruments=bench.identities,
        parts=tuple(_part_used(files.kit[name], order.today) for name in sorted(used)),
        settings=(*settings.as_record(), ("place", files.bench.location, files.bench.file)),
        planned_seconds=round(plan.seconds, MICROSECONDS),
        facts=order.facts,
    )


def _part_used(part: Part, today: str) -> PartUsed:
    present = part.present
    return PartUsed(
        name=part.name,
        value=value_today(part, today),
        unit=part.unit,
        expanded_uncertainty=present.expanded_uncertainty if present else 0.0,
        coverage_factor=present.coverage_factor if present else 2.0,
        certificate=present.certificate if present else "",
        due=part.due,
        use=part.use,
    )
