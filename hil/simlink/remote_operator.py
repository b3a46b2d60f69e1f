"""The simulated operator over a socket: one JSON object a line each way.

{"do": "fit", "with": ["c_100p", "100 pF capacitor"]}    ->   {"answer": null}
{"do": "insert", "with": ["QM2-0001"]}                   ->   {"answer": null}     puts the virtual unit into the jig
{"do": "conjure", "with": ["QM2-0001", ["R5=open"], 2]}  ->   {"answer": null}     the same with faults, attempt, person
{"do": "levitate", "with": []}                           ->   {"error": "…"}
"""

import json
import socket
from collections.abc import Sequence
from typing import Any

from hil.errors import BenchError
from hil.sim.bench import SimulatedBench

_ACTIONS = (
    "fit",
    "probe",
    "request",
    "press",
    "read_display",
    "lamp_is_lit",
    "watch",
    "was_steady",
    "confirm",
    "read_value",
)
_CONNECT_S, _ANSWER_S = 5.0, 60.0


def answer(bench: SimulatedBench, line: bytes) -> bytes:
    """Carry out one request on a bench; the answer line without its end."""
    try:
        request = json.loads(line)
        action, arguments = request["do"], request["with"]
        if action == "insert":
            bench.insert(arguments[0])
            result: Any = None
        elif action == "conjure":
            serial, faults, attempt, person = (*arguments, "")[:4]
            bench.insert(serial, faults=faults, attempt=attempt, person=person)
            result = None
        elif action in _ACTIONS:
            result = getattr(bench.operator, action)(*arguments)
        else:
            raise ValueError(f"no such action: {action!r}; known: insert, conjure, {', '.join(_ACTIONS)}")
        return json.dumps({"answer": result}).encode()
    except (ValueError, KeyError, TypeError, IndexError) as problem:
        return json.dumps({"error": str(problem)}).encode()


class RemoteOperator:
    """A `hil.ports.Operator` who stands at a bench served by `hil.simlink.servers`.

    Args:
        address: ``HOST:PORT`` of the operator's line.

    Raises:
        BenchError: nobody answers there.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        host, _, port = address.rpartition(":")
        try:
            self._stream = socket.create_connection((host, int(port)), timeout=_CONNECT_S)
        except (OSError, ValueError) as problem:
            raise BenchError(
                f"operator at {address}: cannot be reached ({problem}). Start the bench, or correct the address."
            ) from problem
        self._stream.settimeout(_ANSWER_S)
        self._lines = self._stream.makefile("rb")

    def _ask(self, action: str, *arguments: Any) -> Any:
        try:
            self._stream.sendall(json.dumps({"do": action, "with": arguments}).encode() + b"\n")
            line = self._lines.readline()
        except OSError as problem:
            raise BenchError(
                f"operator at {self._address}: gone ({problem}). Start the simulated bench again."
            ) from problem
        if not line:
            raise BenchError(f"operator at {self._address}: hung up. Start the simulated bench again.")
        reply = json.loads(line)
        if "error" in reply:
            raise BenchError(f"operator at {self._address}: {reply['error']}")
        return reply["answer"]

    def conjure(self, serial: str, faults: Sequence[str] = (), attempt: int = 1, person: str = "") -> None:
        """Put a virtual unit with faults into the jig."""
        self._ask("conjure", serial, list(faults), attempt, person)

    def insert(self, serial: str) -> None:
        """Put the unit with this serial number into the jig."""
        self._ask("insert", serial)

    def fit(self, part: str, description: str) -> None:
        """Put a part to the terminals."""
        self._ask("fit", part, description)

    def probe(self, point: str, instrument: str = "probe") -> None:
        """Hold an instrument to a point."""
        self._ask("probe", point, instrument)

    def request(self, text: str) -> None:
        """Do what is asked."""
        self._ask("request", text)

    def press(self, keys: Sequence[str], seconds: float) -> None:
        """Hold keys down for a time."""
        self._ask("press", list(keys), seconds)

    def read_display(self) -> str:
        """What stands on the display, both lines."""
        return str(self._ask("read_display"))

    def lamp_is_lit(self, lamp: str) -> bool:
        """Look at a lamp."""
        return bool(self._ask("lamp_is_lit", lamp))

    def watch(self) -> None:
        """Keep an eye on display and lamps."""
        self._ask("watch")

    def was_steady(self) -> bool:
        """Whether nothing flickered or went dark since."""
        return bool(self._ask("was_steady"))

    def confirm(self, question: str) -> bool:
        """Do what is asked, or look, and answer."""
        return bool(self._ask("confirm", question))

    def read_value(self, role: str, what: str, unit: str) -> float:
        """Read an instrument that only a person can read."""
        return float(self._ask("read_value", role, what, unit))

    def close(self) -> None:
        """Leave."""
        self._lines.close()
        self._stream.close()
