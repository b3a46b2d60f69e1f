"""Release limits: who released which revision is on file beside the limits, and a check wants a released one.

A release keeps a copy of the limits (``released/BOARD-REVISION.toml``), so that the next one can say in plain words
what has changed.
"""

import os
from pathlib import Path

from hil.app.locate import label_of, locate, read_text
from hil.core.limit import Limits
from hil.core.limits_diff import Change, difference
from hil.errors import UsageError
from hil.files.limits import parse_limits
from hil.files.released import HEAD, Release, parse_released, release_text

LIST = "released.toml"
COPIES = "released"


def released(limits_path: Path) -> tuple[Release, ...]:
    """Releases on file beside a limits file, oldest first.

    Raises:
        UsageError: the list is wrong.
    """
    path = limits_path.parent / LIST
    return parse_released(label_of(path), read_text(path)) if path.is_file() else ()


def find_release(limits: Limits, releases: tuple[Release, ...]) -> Release | None:
    """The release that these limits are, told by their content."""
    return next((one for one in releases if (one.board, one.sha256) == (limits.board, limits.sha256)), None)


def require_released(value: str, limits: Limits, *, only: str = "") -> Release | None:
    """Refuse limits that nobody released, unless a run is rework (``only``) and can never pass a unit.

    Args:
        value: the limits as they were named (`hil.app.locate.locate`).

    Raises:
        UsageError: not released, telling what differs from the latest release.
    """
    path = locate("limits", value)
    releases = released(path)
    release = find_release(limits, releases)
    if release is not None or only:
        return release
    of_board = [one for one in releases if one.board == limits.board]
    how = f"Release it with 'hil limits release {value} --by NAME --reason REASON', or check with --only."
    if not of_board:
        raise UsageError(f"{limits.file}: revision {limits.revision} was never released. {how}")
    latest = of_board[-1]
    if any(one.revision == limits.revision for one in of_board):
        raise UsageError(
            f"{limits.file}: differs from revision {limits.revision} as it was released. "
            f"Give it a new revision; 'hil limits diff {value}' shows what changed. {how}"
        )
    raise UsageError(
        f"{limits.file}: revision {limits.revision} is not released; the latest is {latest.revision} "
        f"({latest.by}, {latest.date}). {how}"
    )


def changes_since_release(value: str) -> tuple[Release | None, tuple[Change, ...]]:
    """The latest release of a limits file's board, and what has changed since.

    Raises:
        UsageError: a file is wrong, or the copy of the release is missing.
    """
    path = locate("limits", value)
    limits = parse_limits(label_of(path), read_text(path))
    of_board = [one for one in released(path) if one.board == limits.board]
    if not of_board:
        return None, ()
    copy = _copy(path, of_board[-1])
    if not copy.is_file():
        raise UsageError(f"{label_of(copy)}: the copy of the latest release is missing. Put it back from your archive.")
    before = parse_limits(label_of(copy), read_text(copy))
    if before.sha256 != of_board[-1].sha256:
        raise UsageError(f"{label_of(copy)}: is not what was released. Put it back from your archive.")
    return of_board[-1], difference(before, limits)


def release(value: str, *, by: str, reason: str, today: str) -> Release:
    """Put the present content of a limits file on the list of releases.

    Raises:
        UsageError: the revision was released before, nothing has changed, or name or reason is missing.
    """
    if not by.strip() or not reason.strip():
        raise UsageError("A release needs a name and a reason: --by NAME --reason REASON.")
    path = locate("limits", value)
    text = read_text(path)
    limits = parse_limits(label_of(path), text)
    releases = released(path)
    twin = find_release(limits, releases)
    if twin is not None:
        raise UsageError(f"{limits.file}: is released already ({twin.revision}, {twin.by}, {twin.date}).")
    if any((one.board, one.revision) == (limits.board, limits.revision) for one in releases):
        raise UsageError(f"{limits.file}: revision {limits.revision} was released before. Give 'revision' a new value.")
    latest, changes = changes_since_release(value)
    entry = Release(
        board=limits.board,
        revision=limits.revision,
        sha256=limits.sha256,
        by=by,
        date=today,
        reason=reason,
        difference=tuple(str(change) for change in changes) if latest else ("first release",),
    )
    copy = _copy(path, entry)
    list_file = path.parent / LIST
    listed = read_text(list_file) if list_file.is_file() else HEAD
    parse_released(label_of(list_file), listed + release_text(entry))  # never write what could not be read
    copy.parent.mkdir(exist_ok=True)
    _write(copy, text)
    _write(list_file, listed + release_text(entry))
    return entry


def _copy(limits_path: Path, release: Release) -> Path:
    return limits_path.parent / COPIES / f"{release.board}-{release.revision}.toml"


def _write(path: Path, text: str) -> None:
    draft = path.with_name(path.name + ".new")
    try:
        with draft.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    except OSError as problem:
        raise UsageError(f"{label_of(path)}: cannot be written: {problem.strerror}. Nothing was released.") from None
