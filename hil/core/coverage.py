"""What the checks catch: trials of units with one fault each, and the figures that follow from them.

A trial is one unit with one fault (or none) that went through the checks of `hil check`. What came of it is kept with
every reading's value, because a fault is told from another by all readings and not by the failed ones alone.

A fault's name is its text in the universe (``R5=+20%``); what was really put into the unit may differ in strength
(``R5=+23%``) and stands beside it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from hil.core.records import UnitVerdict, Value, Verdict

GOOD = ""  # the name of no fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A unit to be tried.

    Args:
        fault: its name in the universe; `GOOD` for a unit without one.
        number: which unit with that fault, from 0.
        serial: decides the true values of everything else in it.
        made: the fault as it was put into the unit, as for ``--fault``; its strength may differ from the name's.
            Several faults have spaces between them.
    """

    fault: str
    number: int
    serial: str
    made: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One reading of a trial: value in unprefixed SI units (None: there is none), and what it was judged."""

    value: Value
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What came of a trial.

    Args:
        readings: by row name, in the order in which they were taken; not measured ones too.
        trouble: why the bench gave up, "" when it did not.
        seconds: on the bench clock, the whole run.
        row_seconds: on the bench clock, by row name.
    """

    trial: Trial
    verdict: UnitVerdict
    readings: Mapping[str, Seen]
    trouble: str = ""
    seconds: float = 0.0
    row_seconds: Mapping[str, float] = field(default_factory=dict)

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of the failed rows, in the order in which they were taken."""
        return tuple(name for name, seen in self.readings.items() if seen.verdict is Verdict.FAIL)

    @property
    def is_caught(self) -> bool:
        """Whether the unit was judged and failed."""
        return self.verdict is UnitVerdict.FAIL
