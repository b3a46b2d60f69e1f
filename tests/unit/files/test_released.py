"""The list of releases."""

import pytest

from hil.errors import FileError
from hil.files.released import HEAD, Release, parse_released, release_text

A = Release(
    board="qm2", revision="A", sha256="0" * 64, by='K. "Kay" Holm', date="2026-11-20", reason="first\nrelease \x7f µ",
    difference=("rail: narrower", "c: \\ wider"),
)  # fmt: skip


def test_what_is_written_is_read():
    b = Release(board="qm2", revision="B", sha256="1" * 64, by="x", date="2026-11-21", reason="r")
    assert parse_released("released.toml", HEAD + release_text(A) + release_text(b)) == (A, b)


def test_a_revision_is_released_once():
    with pytest.raises(FileError) as caught:
        parse_released("released.toml", HEAD + release_text(A) * 2)
    assert str(caught.value).endswith("release[2].revision: 'A' was released before. A release is never changed.")


def test_a_hash_is_a_hash():
    with pytest.raises(FileError, match="must be 64 hexadecimal digits"):
        parse_released("released.toml", HEAD + release_text(A).replace("0" * 64, "abc"))
