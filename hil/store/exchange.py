"""Runs and ledger entries as JSON Lines, for export, import and archives.

    {"hil_records": 1, "kind": "real", "exported": TIME}            first line: format number
    {"run": {"opened": {…}, "readings": […], "closed": {…}|null, "files": [[PATH, SHA256], …]}}
    {"entry": {"kind": KIND, "uid": …, "time": …, "author": …, …}}
    {"end": {"runs": N, "entries": N, "sha256": HEX}}               last line: SHA-256 of all lines before it

A file without its last line was cut off and is refused. Text in, text out: nothing here opens a file.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from hil.core.ledger import ENTRIES, Entry, ReadinessValue
from hil.core.records import (
    BudgetRow,
    InstrumentUsed,
    PartUsed,
    Reading,
    Run,
    RunClosed,
    RunOpened,
    Statement,
    UnitVerdict,
    Verdict,
)
from hil.errors import UsageError
from hil.store.schema import to_json, tuples

FORMAT = 1
Files = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunWithFiles:
    """A run and its files as (path, SHA-256)."""

    run: Run
    files: Files = ()


Item = RunWithFiles | Entry


def export_lines(kind: str, items: Iterable[Item], *, now: str) -> Iterator[str]:
    """The lines of an export, each with its line end."""
    digest = hashlib.sha256()
    counts = {"runs": 0, "entries": 0}

    def line(value: dict[str, Any]) -> str:
        text = to_json(value) + "\n"
        digest.update(text.encode())
        return text

    yield line({"hil_records": FORMAT, "kind": kind, "exported": now})
    for item in items:
        if isinstance(item, RunWithFiles):
            counts["runs"] += 1
            yield line({"run": {**asdict(item.run), "files": item.files}})
        else:
            counts["entries"] += 1
            yield line({"entry": {"kind": item.KIND, **asdict(item)}})
    yield line({"end": {**counts, "sha256": digest.hexdigest()}})


def read_export(label: str, lines: Iterable[str]) -> tuple[str, Iterator[Item]]:
    """Kind of an export ("real" or "simulated") and its items, one after the other.

    Whether the export is whole is known at its end: items may have been given out before it is refused.

    Raises:
        UsageError: not an export, of a newer format, cut off, or changed.
    """
    digest = hashlib.sha256()
    numbered = enumerate(lines, start=1)

    def next_line() -> tuple[int, str, Any, dict[str, Any]] | None:
        for number, text in numbered:
            try:
                ((what, value), *rest) = json.loads(text).items()
            except (ValueError, AttributeError):
                raise UsageError(f"{label}:{number}: not a line of an export of records.") from None
            if what != "end":
                digest.update(text.encode())
            return number, what, value, dict(rest)
        return None

    head = next_line()
    if head is None or head[1] != "hil_records":
        raise UsageError(f"{label}: not an export of records. 'hil records export' makes one.")
    if head[2] != FORMAT:
        raise UsageError(f"{label}: has format {head[2]}, and this program reads format {FORMAT}. Update hil.")

    def items() -> Iterator[Item]:
        counts = {"runs": 0, "entries": 0}
        while (line := next_line()) is not None:
            number, what, value, _ = line
            if what == "end":
                if value != {**counts, "sha256": digest.hexdigest()} or next_line() is not None:
                    raise UsageError(f"{label}: was changed after it was written. Take another copy.")
                return
            try:
                item: Item = _run(value) if what == "run" else _entry(value)
            except (KeyError, TypeError, ValueError) as problem:
                raise UsageError(f"{label}:{number}: cannot be understood ({problem!r}). Update hil.") from None
            counts["runs" if what == "run" else "entries"] += 1
            yield item
        raise UsageError(f"{label}: its end is missing; it was cut off. Export again, or take another copy.")

    return str(head[3].get("kind", "")), items()


def _run(value: dict[str, Any]) -> RunWithFiles:
    opened = {name: tuples(one) for name, one in value["opened"].items()}
    opened["instruments"] = tuple(InstrumentUsed(**one) for one in opened["instruments"])
    opened["parts"] = tuple(PartUsed(**one) for one in opened["parts"])
    closed = None
    if value["closed"] is not None:
        fields = {name: tuples(one) for name, one in value["closed"].items()}
        closed = RunClosed(**{**fields, "verdict": UnitVerdict(fields["verdict"])})
    readings = tuple(_reading(one) for one in value["readings"])
    run = Run(opened=RunOpened(**opened), readings=readings, closed=closed)
    return RunWithFiles(run=run, files=tuple((path, sha256) for path, sha256 in value["files"]))


def _reading(value: dict[str, Any]) -> Reading:
    for name in ("instruments", "parts", "notes", "raw"):
        value[name] = tuple(value[name])
    budget = tuple(BudgetRow(**row) for row in value["budget"])
    known = {"verdict": Verdict(value["verdict"]), "statement": Statement(value["statement"]), "budget": budget}
    return Reading(**{**value, **known})


def _entry(value: dict[str, Any]) -> Entry:
    kind = ENTRIES[value.pop("kind")]
    fields = {name: tuples(one) for name, one in value.items()}
    if kind.KIND == "readiness":
        fields["values"] = tuple(ReadinessValue(**one) for one in fields["values"])
    return kind(**fields)
