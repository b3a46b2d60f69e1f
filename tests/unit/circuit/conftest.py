"""The board of the scenario, read once."""

from pathlib import Path

import pytest

from hil.circuit.board import BoardModel, Conditions
from hil.circuit.netlist import Netlist
from hil.files.netlist import parse_netlist

BOARD = Path(__file__).parents[3] / "fixtures" / "boards" / "qm2.toml"
IDLE = {
    "PB0": "low", "PB1": "low", "PD5": "high", "PD6": "low", "PB2": "high", "PB3": "low", "PB5": "low",
    "PC2": "high", "PC3": "high", "PD1": "high", "PD2": "pullup", "PD3": "pullup",
}  # fmt: skip


@pytest.fixture(scope="session")
def netlist() -> Netlist:
    return parse_netlist(BOARD.name, BOARD.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def nominal(netlist: Netlist) -> BoardModel:
    return BoardModel(netlist, {})


@pytest.fixture(scope="session")
def powered():
    """Conditions of a running board at 7.4 V; keyword arguments change fields, ``pins`` only the named ones."""

    def conditions(*, pins: dict[str, str] | None = None, **changes: object) -> Conditions:
        base: dict[str, object] = {"supply_v": 7.4, "supply_limit_a": 0.2, "pins": tuple((IDLE | (pins or {})).items())}
        return Conditions(**(base | changes))  # type: ignore[arg-type]

    return conditions
