"""The simulated bench behind real sockets and a pty, and the bench file that points at them."""

from collections.abc import Iterator
from contextlib import contextmanager

from hil.app.simulated import simulated_bench
from hil.core.equipment import Kit
from hil.errors import BenchError, UsageError
from hil.files.bench import BenchFile, parse_bench
from hil.simlink.servers import WireServer

NAME = "wire"


@contextmanager
def served(spec: BenchFile, kit: Kit, *, board: str, seed: int, speed: float) -> Iterator[WireServer]:
    """Serve the simulated bench of a bench file until the block is left.

    Args:
        speed: simulated seconds a real second.

    Raises:
        UsageError: the bench file is of a real bench, or the speed is not more than zero.
        BenchError: no socket or pty can be had.
    """
    if not spec.simulated:
        raise UsageError(f"{spec.file}: is a real bench; only a simulated one can be served. Choose --bench simulated.")
    try:
        server = WireServer(simulated_bench(spec, kit, board=board, seed=seed), speed=speed)
    except ValueError as problem:
        raise UsageError(f"--speed: {problem}.") from None
    except OSError as problem:
        raise BenchError(f"The bench cannot be served: {problem.strerror}.") from None
    with server:
        yield server


def bench_file(spec: BenchFile, text: str, server: WireServer) -> str:
    """The text of a bench file with every address replaced by where the server answers.

    The same bench, so the same text: comments, accuracies and wiring stay as they are.

    Raises:
        UsageError: the text cannot be turned into such a file.
    """
    changed = text.replace(f'"{spec.bench}"', f'"{NAME}"', 1)
    for name, role in spec.roles.items():
        if name in server.addresses and role.address:
            changed = changed.replace(f'"{role.address}"', f'"{server.addresses[name]}"')
    if spec.meter is not None:
        changed = changed.replace(f'"{spec.meter.port}"', f'"{server.meter_path}"')
    # Keys of the whole file stand before its first table.
    changed = changed.replace("\n[meter]", f'\nvisa_library = "@py"\nspeed = {server.speed:g}\n\n[meter]', 1)
    changed = changed.replace("[role.operator]", f'[role.operator]\naddress = "{server.operator_address}"', 1)
    found = parse_bench(spec.file, changed)
    wanted = {name: server.addresses[name] for name in spec.roles if name in server.addresses}
    if {name: found.roles[name].address for name in wanted} != wanted or found.speed != server.speed:
        raise UsageError(f"{spec.file}: addresses and [meter] are not written as in the shipped simulated.toml.")
    return changed
