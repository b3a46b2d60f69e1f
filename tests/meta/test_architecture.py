"""Who may import whom: the table of the rooms, held to the code."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PURE = {"pytest", "serial", "pyvisa", "pandas", "sqlite3", "os", "pathlib", "time", "random", "socket", "subprocess"}
ABOVE_CORE = {
    f"hil.{room}"
    for room in ("files", "real", "sim", "simlink", "store", "render", "app", "cli", "suite", "fixtures", "runner")
}
FORBIDDEN = {
    "hil/core": PURE | ABOVE_CORE | {"hil.circuit", "hil.wire", "hil.ports"},
    "hil/wire": PURE | ABOVE_CORE | {"hil.circuit"},
    "hil/circuit": PURE | ABOVE_CORE | {"hil.core.lc"},
    "hil/files": {"hil.real", "hil.sim", "hil.simlink", "hil.store", "hil.app", "hil.suite", "pathlib", "os"},
    "hil/real": {"hil.sim", "hil.simlink", "hil.files", "hil.store", "hil.render", "hil.core.judge"},
    "hil/sim": {"hil.real", "hil.files", "hil.store", "hil.core.lc", "time", "serial", "pyvisa"},
    "hil/simlink": {"hil.app", "hil.store", "hil.render", "hil.core.lc"},
    "hil/store": {"hil.render", "hil.real", "hil.sim", "hil.simlink", "pytest"},
    "hil/render": {"hil.store", "hil.real", "hil.sim", "hil.simlink", "pytest", "time"},
    "hil/app": {"pytest", "argparse", "hil.cli", "hil.fixtures"},
    "hil/cli": {"serial", "pyvisa", "sqlite3"},
    "fixtures": {"serial", "pyvisa", "sqlite3", "hil.cli"},
    "tests/board": {"hil.sim", "hil.simlink", "hil.real", "serial", "pyvisa"},
}
ONLY_FROM_APP = "hil.simlink"  # apart from the room itself


def imports(path: Path) -> Iterator[tuple[int, str]]:
    """Line and dotted name of everything a file imports, late imports included."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.lineno, node.module
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


def breaches(room: str, forbidden: set[str]) -> list[str]:
    """Imports of a room that its row of the table forbids."""
    return sorted(
        {
            f"{path.relative_to(ROOT)}:{line} imports {name}"
            for path in (ROOT / room).rglob("*.py")
            for line, name in imports(path)
            if any(name == bad or name.startswith(f"{bad}.") for bad in forbidden)
        }
    )


@pytest.mark.parametrize("room", FORBIDDEN)
def test_a_room_imports_only_what_lies_below_it(room: str) -> None:
    assert breaches(room, FORBIDDEN[room]) == []


def test_the_simulated_bench_is_linked_in_one_place() -> None:
    found = [
        place
        for room in ("hil/cli", "hil/render", "hil/store", "hil/files", "hil/real", "fixtures", "tests/board")
        for place in breaches(room, {ONLY_FROM_APP})
    ]
    assert found == []


def test_the_walk_sees_a_breach() -> None:
    assert breaches("hil/app", {"hil.core"}) != []


@pytest.mark.parametrize("room", ["hil/core", "hil/circuit", "hil/sim", "hil/render"])
def test_nobody_reads_the_clock_or_the_dice(room: str) -> None:
    found = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in (ROOT / room).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and (node.value.id, node.attr) in {("datetime", "now"), ("time", "time"), ("uuid", "uuid4"), ("date", "today")}
    ]
    assert found == []
