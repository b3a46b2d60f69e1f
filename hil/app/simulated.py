"""The simulated bench of a bench file: what stands on it is in the file and the kit, the board in the netlist."""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

from hil.app.locate import label_of, locate, read_text
from hil.core.equipment import Kit
from hil.errors import UsageError
from hil.files.bench import BenchFile
from hil.files.netlist import parse_netlist
from hil.ports import Operator
from hil.sim.bench import MakeProcessor, SimulatedBench, device_model
from hil.sim.setup import KINDS, BenchSetup, SimInstrument
from hil.sim.unit import build_unit
from hil.simlink import SimLink, connect
from hil.simlink.remote_operator import RemoteOperator

if TYPE_CHECKING:
    from hil.app.open_bench import Insertion


def simulated_bench(
    spec: BenchFile, kit: Kit, *, board: str, seed: int, make_processor: MakeProcessor = device_model
) -> SimulatedBench:
    """The bench that a file describes, simulated.

    Raises:
        UsageError: no such board, or the board file is wrong.
    """
    path = locate("board", board)
    netlist = parse_netlist(label_of(path), read_text(path))
    return SimulatedBench(setup_of(spec, kit), netlist, seed=seed, make_processor=make_processor)


def open_simulated(
    spec: BenchFile, kit: Kit, *, board: str, seed: int, make_processor: MakeProcessor = device_model
) -> tuple[SimLink, Callable[["Insertion"], None]]:
    """The simulated bench behind PyVISA and pyserial in this process, and who puts units into its jig.

    Raises:
        UsageError: no such board, or the board file is wrong.
    """
    bench = simulated_bench(spec, kit, board=board, seed=seed, make_processor=make_processor)

    def insert(unit: "Insertion") -> None:
        try:
            bench.insert(unit.serial, faults=unit.faults, attempt=unit.attempt, person=unit.person)
        except ValueError as problem:
            raise UsageError(f"--fault: {problem}") from None

    return connect(bench), insert


def refuse_unknown_faults(board: str, faults: Sequence[str]) -> None:
    """Say what is wrong with faults before anything is measured.

    Raises:
        UsageError: a fault that nobody knows, listing what is known; no such board.
    """
    path = locate("board", board)
    try:
        build_unit(parse_netlist(label_of(path), read_text(path)), "", faults)
    except ValueError as problem:
        raise UsageError(f"--fault: {problem}") from None


def at_another_bench(address: str, stack: ExitStack) -> tuple[Operator, Callable[["Insertion"], None]]:
    """The simulated operator at a bench that another process simulates, and who puts units into its jig.

    Raises:
        BenchError: nobody answers there.
    """
    operator = RemoteOperator(address)
    stack.callback(operator.close)

    def insert(unit: "Insertion") -> None:
        operator.conjure(unit.serial, unit.faults, unit.attempt, unit.person)

    return operator, insert


def setup_of(spec: BenchFile, kit: Kit) -> BenchSetup:
    """What a bench file and a kit say about a bench, in the words of the simulation."""
    instruments = tuple(
        SimInstrument(role=name, kind=name, address=role.address, accuracy=dict(role.accuracy))
        for name, role in spec.roles.items()
        if name in KINDS and not role.by_hand
    )
    return BenchSetup(
        name=spec.bench,
        instruments=instruments,
        parts=dict(kit.parts),
        part_channels=dict(spec.parts),
        probe_channels=dict(spec.probes),
    )
