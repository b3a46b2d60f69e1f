"""Does a record contradict itself? Findings with what is wrong, what it means, and what to do.

error     a verdict or its evidence cannot be trusted as it stands
warning   unusual, with an honest explanation possible
note      worth knowing, nothing wrong
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import pairwise

from hil.core.judge import judge_unit, steps_outside
from hil.core.ledger import CertificateIssued
from hil.core.limit import Zone
from hil.core.records import Reading, Run, RunSummary, UnitVerdict, Verdict


class Severity(StrEnum):
    """How bad a finding is."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One inconsistency; ``where`` is a run, a serial number or a certificate."""

    severity: Severity
    where: str
    words: str

    def __str__(self) -> str:
        return f"{self.severity}: {self.where}: {self.words}"


def check_run(run: Run) -> tuple[Finding, ...]:
    """What contradicts itself inside one run."""
    opened, closed = run.opened, run.closed
    found: list[Finding] = []

    def say(severity: Severity, words: str) -> None:
        found.append(Finding(severity=severity, where=opened.run, words=words))

    planned = set(opened.planned)
    for reading in run.readings:
        for words in _contradictions(reading):
            say(Severity.ERROR, f"{reading.name}: {words}")
        if reading.name not in planned:
            say(Severity.ERROR, f"{reading.name}: was recorded but never planned")
        if reading.simulated != opened.simulated:
            say(Severity.ERROR, f"{reading.name}: mixes simulated and real data in one run")
        for part in reading.parts:
            if all(part != one.name for one in opened.parts):
                say(Severity.WARNING, f"{reading.name}: rests on {part}, which is not among the parts of the run")
    names = [reading.name for reading in run.readings]
    for name in sorted({name for name in names if names.count(name) > 1}):
        say(Severity.ERROR, f"{name}: is recorded twice; its run cannot pass")
    _check_times(run, say)
    for name, due in [(one.name, one.due) for one in opened.parts] + [
        (one.role, one.due) for one in opened.instruments
    ]:
        if due and due < opened.opened[:10]:
            say(Severity.ERROR, f"{name} was overdue since {due}; trace what rests on it with 'hil trace {name}'")
    if opened.attempt > 1 and not opened.retest_reason and not opened.only:
        say(Severity.WARNING, f"attempt {opened.attempt} has no reason")
    if opened.attempt > opened.attempts_allowed and not opened.only:
        say(Severity.ERROR, f"attempt {opened.attempt} of {opened.attempts_allowed} allowed")
    if closed is None:
        say(Severity.NOTE, f"was interrupted after {len(run.readings)} of {len(opened.planned)} readings")
        return tuple(found)
    verdict, reason = judge_unit(opened.planned, run.readings, only=opened.only)
    if closed.verdict is not verdict and closed.verdict is not UnitVerdict.INCOMPLETE:
        say(
            Severity.ERROR, f"was closed as {closed.verdict}, but its readings say {verdict} ({reason or 'all passed'})"
        )
    elif closed.verdict is UnitVerdict.INCOMPLETE and verdict is UnitVerdict.FAIL:
        say(Severity.ERROR, f"was closed as INCOMPLETE, but its readings say FAIL ({reason})")
    judged = sum(reading.verdict is not Verdict.NOT_MEASURED for reading in run.readings)
    if closed.judged != judged:
        say(Severity.ERROR, f"its closing counts {closed.judged} judged readings, but {judged} are there")
    if closed.planned != len(opened.planned):
        say(Severity.ERROR, f"its closing counts {closed.planned} planned rows, but {len(opened.planned)} were planned")
    return tuple(found)


def _contradictions(reading: Reading) -> Iterator[str]:
    if reading.expanded_uncertainty is not None and not reading.expanded_uncertainty > 0:
        yield f"its expanded uncertainty is {reading.expanded_uncertainty!r}"
    if reading.expected is not None:
        if reading.verdict in (Verdict.PASS, Verdict.FAIL) and (reading.value == reading.expected) != (
            reading.verdict is Verdict.PASS
        ):
            yield f"is {reading.verdict}, but {reading.value!r} was read and {reading.expected!r} expected"
        return
    if reading.verdict is Verdict.NOT_MEASURED:
        if reading.value is not None:
            yield "has a value, but is not measured"
        return
    value = reading.value
    if isinstance(value, bool) or not isinstance(value, float) or not math.isfinite(value):
        if reading.verdict is not Verdict.FAIL and not reading.reason:
            yield f"is {reading.verdict} without a value or a reason"
        return
    tolerance = Zone(lower=reading.lower, upper=reading.upper)
    acceptance = Zone(lower=reading.accept_lower, upper=reading.accept_upper)
    steps = min(3, steps_outside(value, tolerance, acceptance))
    if reading.verdict is Verdict.PASS and steps > (1 if reading.statement == "conditional pass" else 0):
        yield f"passed, but {value!r} lies outside of its limits"
    if reading.verdict is Verdict.FAIL and steps == 0 and not reading.reason:
        yield f"failed, but {value!r} lies inside of its limits"


def _seconds(later: str, earlier: str) -> float:
    return (datetime.fromisoformat(later) - datetime.fromisoformat(earlier)).total_seconds()


def _check_times(run: Run, say: Callable[[Severity, str], None]) -> None:
    times = [("opening", run.opened.opened), *((one.name, one.time) for one in run.readings)]
    if run.closed is not None:
        times.append(("closing", run.closed.closed))
    try:
        for (before, first), (after, second) in pairwise(times):
            step_s = _seconds(second, first)
            if step_s < 0:
                say(Severity.WARNING, f"the clock went back {-step_s:.3g} s between {before} and {after}")
    except (ValueError, TypeError):
        say(Severity.ERROR, "holds a time that is not an ISO 8601 time with zone")


def check_history(runs: Sequence[RunSummary]) -> tuple[Finding, ...]:
    """What runs say against each other; in the order of recording (`run_no`)."""
    found: list[Finding] = []
    units: dict[str, list[RunSummary]] = defaultdict(list)
    benches: dict[str, list[RunSummary]] = defaultdict(list)
    for run in sorted(runs, key=lambda one: one.run_no):
        units[run.serial].append(run)
        benches[run.bench].append(run)
    for serial, own in units.items():
        found += [Finding(severity=severity, where=serial, words=words) for severity, words in _unit(own)]
    for bench, own in benches.items():
        for before, after in pairwise(own):
            if after.opened_at < before.opened_at and not after.simulated:
                words = f"the clock of bench {bench} went back: {before.run} was recorded before, but is dated later"
                found.append(Finding(severity=Severity.WARNING, where=after.run, words=words))
    return tuple(found)


def _unit(runs: Sequence[RunSummary]) -> Iterator[tuple[Severity, str]]:
    boards = sorted({run.board for run in runs})
    if len(boards) > 1:
        yield Severity.ERROR, f"is recorded as {' and as '.join(boards)}: two boards share a serial number"
    lots = list(dict.fromkeys(run.lot for run in runs if run.lot))
    if len(lots) > 1:
        yield Severity.WARNING, f"changed its lot: {', then '.join(lots)}; lot figures count it in each"
    by_scope: dict[str, list[RunSummary]] = defaultdict(list)
    for run in runs:
        if run.is_complete:
            by_scope[run.scope].append(run)
    for scope, complete in by_scope.items():
        numbers = [run.attempt for run in complete]
        twins = sorted({number for number in numbers if numbers.count(number) > 1})
        for number in twins:
            places = sorted({run.bench for run in complete if run.attempt == number})
            if len(places) > 1:
                words = f"attempt {number} of scope {scope} was made on the benches {' and '.join(places)}"
                yield Severity.WARNING, f"{words}; their records were kept apart"
            else:
                yield Severity.WARNING, f"attempt {number} of scope {scope} was completed {numbers.count(number)} times"


def check_certificates(
    certificates: Iterable[CertificateIssued], known_runs: set[str], removed_runs: set[str]
) -> tuple[Finding, ...]:
    """What certificates say against the runs they were issued for and against each other."""
    found: list[Finding] = []
    issued = list(certificates)
    numbers = {one.uid for one in issued}
    for one in issued:

        def say(severity: Severity, words: str, number: str = one.uid) -> None:
            found.append(Finding(severity=severity, where=f"certificate {number}", words=words))

        if one.run in removed_runs:
            say(Severity.NOTE, f"its run {one.run} was moved to an archive")
        elif one.run not in known_runs:
            say(Severity.ERROR, f"its run {one.run} is not in the record")
        if one.predecessor and one.predecessor not in numbers:
            say(Severity.ERROR, f"amends {one.predecessor}, which is not in the record")
        if one.predecessor and not one.reason:
            say(Severity.ERROR, "is an amendment without a reason")
    for number in sorted({one.predecessor for one in issued if one.predecessor}):
        heirs = [one.uid for one in issued if one.predecessor == number]
        if len(heirs) > 1:
            words = f"was amended {len(heirs)} times: {', '.join(heirs)}; only one of them can stand"
            found.append(Finding(severity=Severity.ERROR, where=f"certificate {number}", words=words))
    return tuple(found)
