"""The command ``hil``: finds the command's own file, maps every way out to an exit code.

    0  PASS          every unit passed (other commands: done)
    1  FAIL          a unit was judged and failed
    2  INCOMPLETE    something planned was not measured, or the run was interrupted
    3  BENCH         bench trouble or an internal error: nothing is said about the unit
    4  USAGE         an option, a setting or a file is wrong: nothing was touched

`hil compare` has codes of its own, made for `git bisect run`; they stand in its help.
"""

import argparse
import gc
import importlib
import os
import sys
from collections.abc import Sequence
from enum import IntEnum
from types import ModuleType
from typing import NoReturn

from hil import __version__
from hil.errors import HilError, Interrupted, UsageError


class Exit(IntEnum):
    """Exit codes of a check."""

    PASS = 0
    FAIL = 1
    INCOMPLETE = 2
    BENCH = 3
    USAGE = 4


COMMANDS = {
    "check": "check units: measure, judge, record, certify",
    "demo": "check a few units on the simulated bench, a faulty one among them, and leave certificates",
    "plan": "what a check would measure: rows, missing roles, fittings, time; touches no hardware",
    "bench": "readiness of the bench: identify instruments, measure jig and check part",
    "show": "a recorded run, on the screen or as CSV or JSON",
    "certify": "the certificate of a recorded run, an identical copy or an amendment",
    "lot": "figures of a lot: yield, failures, capability, drift; one page, CSV and JSON",
    "limits": "limits: what changed, in plain words, their release, and their test uncertainty ratios",
    "budget": "where the uncertainty of a reading comes from, as a table with bars",
    "kit": "reference parts: value today, drift, when they should go back; which of them have moved",
    "risk": "how often limits decide wrongly: predicted, and counted in a simulated population",
    "coverage": "what the checks catch of what may go wrong in assembly, and in which order soonest; simulated only",
    "trace": "units and certificates that rest on a reference part or instrument",
    "diagnose": "which fault explains a failing run, and where to probe next",
    "compare": "what a firmware change moved, by how much, and whether it matters",
    "study": "how much of the spread is the bench's own: plan, run and evaluate a study; compare benches",
    "rework": "record what was done to a unit between two attempts, or list it",
    "wire": "serve the simulated bench on SCPI sockets and a pty, for the same checks over the real wire",
    "records": "the record itself: check, backup, export, import, merge, retention, upgrade",
}


# What a command ends with when nobody reads its output any more, where PASS would be taken for its finding.
_UNHEARD: dict[str, int] = {"check": Exit.INCOMPLETE, "compare": 128, "bench": Exit.BENCH, "demo": Exit.BENCH}


class _Parser(argparse.ArgumentParser):
    """An argument error is a usage error: exit 4, never 2."""

    def error(self, message: str) -> NoReturn:
        self.print_usage(sys.stderr)
        print(f"{self.prog}: {message}. See '{self.prog} --help'.", file=sys.stderr)
        raise SystemExit(Exit.USAGE)


def parser(only: str | None = None) -> argparse.ArgumentParser:
    """The parser of all commands, or of one; a command's file is only imported when it is meant."""
    top = _Parser(
        prog="hil",
        description="Hardware-in-the-loop check of assembled inductance/capacitance meters.",
        epilog="Exit codes of a check: 0 PASS, 1 FAIL, 2 INCOMPLETE or interrupted, 3 bench trouble or internal "
        "error, 4 usage or invalid file.",
    )
    top.add_argument("--version", action="version", version=f"hil {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, words in COMMANDS.items():
        if only is None or name != only:
            commands.add_parser(name, help=words, add_help=False)
        else:
            _module(name).register(commands)
    return top


def _module(name: str) -> ModuleType:
    return importlib.import_module(f"hil.cli.{name}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    named = words[0] if words and words[0] in COMMANDS else None
    try:
        options = parser(named).parse_args(words)
    except SystemExit as end:  # argparse: --help and usage errors
        if end.code == Exit.USAGE and named == "compare":
            return 128  # to git bisect, 4 would be a finding about the firmware
        return end.code if isinstance(end.code, int) else Exit.USAGE
    try:
        code: int = _module(options.command).run(options)
        sys.stdout.flush()
        return code
    except UsageError as problem:
        print(f"hil: {problem}", file=sys.stderr)
        return Exit.USAGE
    except (KeyboardInterrupt, Interrupted) as stop:
        print(f"hil: interrupted. {stop}".rstrip(), file=sys.stderr)
        return Exit.INCOMPLETE
    except HilError as problem:
        print(f"hil: {problem}", file=sys.stderr)
        return Exit.BENCH
    except (BrokenPipeError, SystemExit):  # the tables' own way of saying that a pipe broke is to exit with 1
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nobody reads any more; not our trouble
        return _UNHEARD.get(options.command, Exit.PASS)
    except Exception:
        import traceback

        traceback.print_exc()
        print("hil: internal error; nothing is said about the unit. Please report the lines above.", file=sys.stderr)
        return Exit.BENCH


def run() -> NoReturn:
    """Entry point of the command."""
    gc.set_threshold(20_000)  # many small objects and few cycles: a twentieth of the time of a check went into looking
    sys.exit(main())
