"""Files that are whole or not there."""

import os
from contextlib import suppress
from pathlib import Path

from hil.errors import BenchError


def write_whole(path: Path, content: bytes) -> Path:
    """Write a file so that it is whole or not there.

    Raises:
        BenchError: it cannot be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as problem:
        with suppress(OSError):
            beside.unlink()
        raise BenchError(f"{path}: cannot be written: {problem.strerror}. The run itself is in the record.") from None
    return path
