"""One run at a time on a bench: a lock file that the system gives back even when the program is killed."""

import fcntl
import os
import re
import tempfile
from pathlib import Path

from hil.errors import BenchError


def runtime_folder() -> Path:
    """A folder of this user's own for locks: the system's runtime folder, else one below the temporary folder."""
    named = os.environ.get("XDG_RUNTIME_DIR", "")
    if named and os.access(named, os.W_OK):
        return Path(named) / "hil"
    return Path(tempfile.gettempdir()) / f"hil-{os.getuid()}"


class BenchLock:
    """Holds a bench until `release`.

    Args:
        bench: name of the bench.
        folder: where the lock file lies; None: `runtime_folder`.
        since: present time, told to whoever comes second.

    Raises:
        BenchError: somebody else holds it, or the lock file cannot be made.
    """

    def __init__(self, bench: str, *, since: str, folder: Path | None = None) -> None:
        folder = folder if folder is not None else runtime_folder()
        path = folder / f"{re.sub(r'[^A-Za-z0-9_.-]', '_', bench)}.lock"
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as problem:
            raise BenchError(f"bench '{bench}': the lock file {path} cannot be made ({problem.strerror}).") from None
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(self._handle, 200, 0).decode("utf-8", "replace").split()
            os.close(self._handle)
            pid, begun = holder if len(holder) == 2 else ("unknown", "an unknown time")
            raise BenchError(
                f"bench '{bench}' is in use by process {pid} since {begun}. Wait until it is done, or end it."
            ) from None
        os.ftruncate(self._handle, 0)
        os.pwrite(self._handle, f"{os.getpid()} {since}\n".encode(), 0)

    def release(self) -> None:
        """Give the bench free. The file stays: removing it would let two others hold the same name."""
        os.close(self._handle)
