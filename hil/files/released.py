"""The list of released limits, ``released.toml`` beside the limits files: text -> `Release`s, and new entries -> text.

format = 1
[[release]]                      # one entry for each release, oldest first; entries are added, never changed
board = "qm2"
revision = "A"
sha256 = "…"                     # of the limits file as released, line ends as LF
by = "K. Holm"                   # who released it
date = 2026-11-20
reason = "first release"
difference = ["…"]               # from the release before, in plain words
"""

import json
import re
from dataclasses import dataclass

from hil.files.located import parse_document

KEYS = ("format", "release")
RELEASE_KEYS = ("board", "revision", "sha256", "by", "date", "reason", "difference")
HEAD = """# Released limits. 'hil limits release' adds an entry; entries are never changed.
#
# Grammar (hil/files/released.py): one [[release]] for each release, oldest first: board, revision, sha256 of the limits
# file, by (who released it), date, reason, difference (from the release before, in plain words).
format = 1
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """One released revision of the limits of a board."""

    board: str
    revision: str
    sha256: str
    by: str
    date: str  # ISO date
    reason: str
    difference: tuple[str, ...] = ()


def parse_released(label: str, text: str) -> tuple[Release, ...]:
    """Read the list.

    Raises:
        FileError: anything wrong, or one revision released twice with different content.
    """
    document = parse_document(label, text)
    document.only(KEYS)
    releases: list[Release] = []
    for entry in document.entries("release"):
        entry.only(RELEASE_KEYS)
        release = Release(
            board=entry.text("board"),
            revision=entry.text("revision"),
            sha256=entry.text("sha256"),
            by=entry.text("by"),
            date=entry.date("date").isoformat(),
            reason=entry.text("reason"),
            difference=entry.texts("difference", ()),
        )
        if not re.fullmatch(r"[0-9a-f]{64}", release.sha256):
            raise entry.error("sha256", "must be 64 hexadecimal digits. Let 'hil limits release' write the entry.")
        if any((one.board, one.revision) == (release.board, release.revision) for one in releases):
            raise entry.error("revision", f"{release.revision!r} was released before. A release is never changed.")
        releases.append(release)
    return tuple(releases)


def release_text(release: Release) -> str:
    """One entry as it is added to the list."""
    lines = [f"board = {_quoted(release.board)}", f"revision = {_quoted(release.revision)}"]
    lines += [f'sha256 = "{release.sha256}"', f"by = {_quoted(release.by)}", f"date = {release.date}"]
    lines += [f"reason = {_quoted(release.reason)}", "difference = ["]
    lines += [f"    {_quoted(words)}," for words in release.difference]
    return "\n[[release]]\n" + "\n".join(lines) + "\n]\n"


def _quoted(text: str) -> str:
    # A JSON text is a TOML basic string as long as DEL is escaped too.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
