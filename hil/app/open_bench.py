"""Open a bench, simulated or real, as ports; leave it with everything switched off, whatever happens.

    with open_bench(spec, kit) as bench:
        bench.insert("QM2-00017")                 # simulated: the virtual unit; real: the operator is asked
        bench.supply.set(7.4, 0.15)

A simulated bench and a real one go through the same drivers; what differs is the clock, the operator and who puts the
unit into the jig.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from hil.core.equipment import Kit
from hil.core.records import InstrumentUsed
from hil.ports import (
    Clock,
    Counter,
    Generator,
    Meter,
    Operator,
    Programmer,
    Selector,
    Supply,
    Thermometer,
    Voltmeter,
)
from hil.real.trace import Trace

if TYPE_CHECKING:
    from hil.files.bench import BenchFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Open ports of one bench. A role that the bench file does not have is None.

    Args:
        simulated: the data is not from a real unit; the bench file says so, or an instrument's identity does.
        identities: every instrument as it answered.
        trace: what the drivers have asked and got; drained by whoever judges.
        hand_read: roles whose values a person types in.
    """

    name: str
    clock: Clock
    meter: Meter
    operator: Operator
    simulated: bool
    trace: Trace
    supply: Supply | None = None
    voltmeter: Voltmeter | None = None
    counter: Counter | None = None
    generator: Generator | None = None
    selector: Selector | None = None
    thermometer: Thermometer | None = None
    programmer: Programmer | None = None
    identities: tuple[InstrumentUsed, ...] = ()
    hand_read: frozenset[str] = frozenset()

    def insert(self, serial: str, *, attempt: int = 1, faults: Sequence[str] = ()) -> None:
        """Get the unit with this serial number into the jig, outputs off before.

        Raises:
            UsageError: faults on a real bench, or a fault that nobody knows.
            Interrupted: the operator says no.
        """
        raise NotImplementedError

    def make_safe(self) -> None:
        """Outputs off, generator off, relays open. Goes on when one of them does not answer and says so at the end.

        Raises:
            BenchError: something may still be on.
        """
        raise NotImplementedError

    def close(self) -> None:
        """Make safe, close every port, give the bench free."""
        raise NotImplementedError

    def __enter__(self) -> "Bench":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def roles_of(spec: "BenchFile") -> frozenset[str]:
    """Roles that this bench has, told from its file alone: nothing is opened."""
    raise NotImplementedError


def refuse_simulation_options(spec: "BenchFile", *, seed: int | None, faults: Sequence[str]) -> None:
    """``--seed`` and ``--fault`` only make sense on the simulated bench.

    Raises:
        UsageError: one of them is given with a real bench.
    """
    raise NotImplementedError


def open_bench(
    spec: "BenchFile",
    kit: Kit,
    *,
    board: str = "qm2",
    seed: int | None = None,
    operator: Operator | None = None,
    lock_dir: Path | None = None,
) -> Bench:
    """Lock the bench, open every instrument, check who answers.

    Args:
        spec: the bench file.
        kit: reference parts; the simulated bench draws their true values.
        board: board kind that stands in the simulated jig.
        seed: of everything random on the simulated bench; None: 0.
        operator: the person; None: at the terminal, or the simulated one.
        lock_dir: where the lock file lies; None: a directory of the user's own.

    Raises:
        UsageError: `seed` on a real bench.
        BenchError: the bench is in use, or an instrument does not answer or is another one.
    """
    raise NotImplementedError
