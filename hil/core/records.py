"""What a run leaves behind: one opening, readings, one closing. All frozen; a closing can be made once.

A run without a closing is the record of an interrupted run and says so for ever. Values are in unprefixed SI
units (F, H, Hz, V, A, ohm, s, degC); text and boolean readings carry `expected` instead of limits.
"""

from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

Value = float | bool | str | None
NEVER_REACHED = "never reached"


class Verdict(StrEnum):
    """Verdict on one reading."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_MEASURED = "not_measured"


class UnitVerdict(StrEnum):
    """Verdict on one unit in one run."""

    PASS = "PASS"
    FAIL = "FAIL"
    INCOMPLETE = "INCOMPLETE"


class Statement(StrEnum):
    """The four-way statement of ILAC-G8:09/2019 for a reading with a guard band."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NONE = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One influence in a budget: a standard uncertainty in its own unit, and what one of it does to the result."""

    name: str
    standard_uncertainty: float
    unit: str
    sensitivity: float  # result unit per own unit
    contribution: float  # |sensitivity| · u, in the unit of the reading
    kind: str  # "A" or "B"
    distribution: str  # normal, rectangular, …
    dof: float | None  # None: infinite


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One judged row of a run."""

    name: str
    value: Value
    unit: str
    verdict: Verdict
    reason: str = ""  # why it is not pass, or why the value is null
    title: str = ""
    check: str = ""  # node of the check that judged it, e.g. test_rails.py::test_rail
    group: str = ""  # the module it belongs to, e.g. "rails"
    lower: float | None = None  # tolerance limits
    upper: float | None = None
    accept_lower: float | None = None  # acceptance zone: limits less guard band
    accept_upper: float | None = None
    expected: Value = None
    nominal: float | None = None  # reference value the reading is compared with (the part's value today)
    expanded_uncertainty: float | None = None  # U, same unit
    coverage_factor: float | None = None
    effective_dof: float | None = None
    budget: tuple[BudgetRow, ...] = ()
    rule: str = "simple"
    statement: Statement = Statement.NONE
    raw: tuple[Any, ...] = ()  # what the instruments really answered
    instruments: tuple[str, ...] = ()  # roles used
    parts: tuple[str, ...] = ()  # reference parts used
    hand_read: bool = False
    simulated: bool
    time: str  # ISO 8601 with zone
    seconds: float = 0.0  # how long the check took on the bench clock
    notes: tuple[str, ...] = ()  # e.g. "operator confirmed that c_1n is fitted"

    def as_json(self) -> dict[str, Any]:
        """A dictionary for JSON Lines; NaN and infinity have become None with a reason before this."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentUsed:
    """An instrument as it answered when the bench was opened, with its life as the bench file tells it."""

    role: str
    address: str
    identity: str
    certificate: str = ""
    due: str = ""  # ISO date
    hand_read: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PartUsed:
    """A reference part as it stood in the kit when the run was opened."""

    name: str
    value: float
    unit: str
    expanded_uncertainty: float
    coverage_factor: float = 2.0
    certificate: str = ""
    due: str = ""
    use: str = "verify"  # or "adjust"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOpened:
    """Everything known before the unit is touched."""

    run: str  # unique id, also the folder's name
    serial: str
    board: str  # board kind, e.g. qm2
    attempt: int
    attempts_allowed: int
    retest_reason: str
    scope: str
    only: str  # pattern of --only, or ""
    planned: tuple[str, ...]  # names of the planned readings
    outside_scope: tuple[str, ...]  # names of the limits that this scope leaves out
    limits_file: str
    limits_revision: str
    limits_sha256: str
    kit_file: str
    bench: str
    bench_file: str
    operator: str
    lot: str
    simulated: bool
    seed: int | None
    faults: tuple[str, ...]
    opened: str  # ISO 8601 with zone
    suite_version: str
    instruments: tuple[InstrumentUsed, ...] = ()
    parts: tuple[PartUsed, ...] = ()
    settings: tuple[tuple[str, str, str], ...] = ()  # (name, value, where it came from)
    planned_seconds: float = 0.0
    readiness: str = ""  # time of the readiness check it rests on
    netlist_sha256: str = ""  # of the board's file: what the readings mean to a diagnosis; "" in old records
    facts: tuple[tuple[str, str], ...] = ()  # told beforehand: component lots, condition, the study it belongs to


@dataclass(frozen=True, slots=True, kw_only=True)
class RunClosed:
    """How a run ended. `facts`: those told beforehand, and those found on the way: firmware version, image hash, …"""

    run: str
    verdict: UnitVerdict
    reason: str
    closed: str
    planned: int
    judged: int
    facts: tuple[tuple[str, str], ...] = ()
    files: tuple[str, ...] = ()
    actual_seconds: float = 0.0  # on the bench clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run as read back from the store."""

    opened: RunOpened
    readings: tuple[Reading, ...] = field(default=())
    closed: RunClosed | None = None

    @property
    def every_reading(self) -> tuple[Reading, ...]:
        """The readings that were taken, then one, not measured, for every planned row that was never reached."""
        taken = {reading.name for reading in self.readings}
        lost = (
            Reading(
                name=name,
                value=None,
                unit="",
                verdict=Verdict.NOT_MEASURED,
                reason=NEVER_REACHED,
                simulated=self.opened.simulated,
                time=self.opened.opened,
            )
            for name in self.opened.planned
            if name not in taken
        )
        return (*self.readings, *lost)

    @property
    def verdict(self) -> UnitVerdict:
        """INCOMPLETE for ever when the run was never closed."""
        return self.closed.verdict if self.closed else UnitVerdict.INCOMPLETE


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """A run without its readings, quick to read for thousands of runs. `run_no` is its number in one record only."""

    run_no: int
    run: str
    serial: str
    board: str
    attempt: int
    scope: str
    only: str
    lot: str
    operator: str
    bench: str
    simulated: bool
    opened: str
    opened_at: float  # s since 1970 UTC
    limits_revision: str
    limits_sha256: str
    suite_version: str
    planned_seconds: float
    is_closed: bool
    verdict: UnitVerdict  # INCOMPLETE when it was never closed
    reason: str
    planned: int
    judged: int
    actual_seconds: float
    facts: tuple[tuple[str, str], ...] = ()
    readiness: str = ""  # time of the readiness check it rests on

    @property
    def is_complete(self) -> bool:
        """Whether the run can speak for the unit: not a rework run, and judged to PASS or FAIL."""
        return self.only == "" and self.verdict is not UnitVerdict.INCOMPLETE
