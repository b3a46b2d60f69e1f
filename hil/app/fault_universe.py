"""Netlist and possible faults of a board, from its two files."""

from hil.app.locate import label_of, locate, read_text
from hil.circuit.netlist import Netlist
from hil.circuit.universe import PossibleFault, universe
from hil.files.fault_weights import parse_fault_weights
from hil.files.netlist import parse_netlist


def netlist_of(board: str) -> Netlist:
    """Netlist of a board.

    Raises:
        UsageError: the file is missing or wrong.
    """
    path = locate("board", board)
    return parse_netlist(label_of(path), read_text(path))


def universe_of(board: str) -> tuple[Netlist, tuple[PossibleFault, ...]]:
    """Netlist and possible faults of a board.

    Raises:
        UsageError: one of the files is missing or wrong.
    """
    netlist, path = netlist_of(board), locate("board", f"{board}_faults")
    weights = parse_fault_weights(label_of(path), read_text(path), netlist)
    return netlist, universe(netlist, weights)
