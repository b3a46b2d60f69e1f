"""Options that several commands share."""

import argparse
from collections.abc import Mapping

from hil.app.settings import Settings, read_settings

SETTINGS = {
    "bench": "bench file, or the name of a shipped one (default: the simulated bench)",
    "limits": "limits file, or the name of a shipped one",
    "out": "folder for records and files (default: hil-out)",
    "records": "database of real runs: a file, or postgresql://… for several benches",
    "operator": "who is at the bench, for the record",
    "lot": "lot the units belong to",
    "scope": "scope of the limits file (default: full)",
}


def add_settings(parser: argparse.ArgumentParser, *names: str) -> None:
    """Add options for the named settings; what is not given comes from hil.toml or the defaults."""
    for name in names or (*SETTINGS, "checks"):
        if name == "checks":
            words = "folder with more checks; repeatable"
            parser.add_argument("--checks", action="append", default=[], metavar="FOLDER", help=words)
            continue
        parser.add_argument(f"--{name}", metavar=name.upper(), help=SETTINGS[name])


def settings_from(options: argparse.Namespace) -> Settings:
    """Settings of a call, each with its origin.

    Raises:
        UsageError: hil.toml is wrong.
    """
    given: Mapping[str, str | tuple[str, ...] | None] = {
        **{name: getattr(options, name, None) for name in SETTINGS},
        "checks": tuple(getattr(options, "checks", ())),
    }
    return read_settings(given)
