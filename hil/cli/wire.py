"""``hil wire``: the simulated bench behind real sockets and a pty, for the same checks over the real wire."""

import argparse
import threading
from pathlib import Path
from typing import Any

from hil.cli.options import add_settings, settings_from


def register(commands: Any) -> None:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "wire",
        help="serve the simulated bench on SCPI sockets and a pty, and write the bench file that points at them",
        description="Serve the simulated bench on SCPI sockets (one an instrument) and a pty (the meter), until "
        "Ctrl-C. 'hil check SERIAL --bench FILE' in another terminal then runs the same checks over the real wire.",
        epilog="What is measured there is simulated data and says so.",
    )
    add_settings(parser, "bench", "limits")
    parser.add_argument(
        "--speed",
        type=float,
        default=20.0,
        metavar="N",
        help="simulated seconds a second (default 20); on a busy "
        "machine fewer: being late by 50 ms is then a second on the bench",
    )
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="of everything random on the bench (default 0)"
    )
    parser.add_argument("--write", default="wire.toml", metavar="FILE", help="bench file to write (default wire.toml)")
    parser.add_argument("--seconds", type=float, metavar="N", help="end by itself after so long")


def run(options: argparse.Namespace) -> int:
    """Serve until Ctrl-C, or as long as was asked for."""
    from hil.app.locate import load_bench, load_kit_of, load_limits, locate, read_text
    from hil.app.wire import bench_file, served
    from hil.real.wallclock import WallClock

    settings = settings_from(options)
    spec, limits = load_bench(settings["bench"]), load_limits(settings["limits"])
    kit = load_kit_of(spec, today=WallClock().now()[:10])
    path = Path(options.write)
    with served(spec, kit, board=limits.board, seed=options.seed, speed=options.speed) as server:
        try:  # from the first byte of the file on: Ctrl-C may come the moment the bench announces itself
            path.write_text(bench_file(spec, read_text(locate("bench", settings["bench"])), server), encoding="utf-8")
            for role, address in server.addresses.items():
                print(f"{role:12} {address}")
            print(f"{'meter':12} {server.meter_path}")
            print(f"{'operator':12} {server.operator_address}")
            print(f"SIMULATED, {options.speed:g} times real time. Bench file: {path}. Ctrl-C ends it.", flush=True)
            threading.Event().wait(options.seconds)
        except KeyboardInterrupt:
            print("ended")
        finally:
            path.unlink(missing_ok=True)  # its addresses answer no more
    return 0
