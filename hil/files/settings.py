"""Settings files: text of ./hil.toml -> values with their places.

format = 1
bench = "benches/west.toml"      # a shipped bench, or a path (with a slash or a suffix)
limits = "qm2"                   # shipped limits, or a path
out = "./hil-out"                # where records and files go
records = "records.sqlite"       # database of real runs: a file in `out`, a path, or postgresql://…
operator = "A. Lindqvist"        # recorded with every run
lot = "2026-11"                  # recorded with every run
scope = "full"
checks = ["./my_checks"]         # folders with more checks, beside the shipped ones
"""

from dataclasses import dataclass

from hil.files.located import parse_document

TEXT_KEYS = ("bench", "limits", "out", "records", "operator", "lot", "scope")
KEYS = ("format", *TEXT_KEYS, "checks")


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """One setting as it was written, and where."""

    value: str | tuple[str, ...]
    origin: str  # hil.toml:3


def parse_settings(label: str, text: str) -> dict[str, Written]:
    """Read a settings file; only what it names is in the answer.

    Raises:
        FileError: anything wrong, with line, key and remedy.
    """
    document = parse_document(label, text)
    document.only(KEYS)
    found: dict[str, Written] = {}
    for key in TEXT_KEYS:
        if key in document:
            value = document.text(key)
            if not value.strip():
                raise document.error(key, "is empty. Give a value or delete the line.")
            found[key] = Written(value=value, origin=f"{label}:{document.line(key)}")
    if "checks" in document:
        found["checks"] = Written(value=document.texts("checks"), origin=f"{label}:{document.line('checks')}")
    return found
