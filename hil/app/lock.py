"""One run at a time at each port of a bench: lock files that the system gives back even when the program is killed.

What must not be shared is an instrument or a serial port, not a name: two benches that are both called 'west' do not
keep each other waiting, and two bench files that name the same supply do. The files lie where every user of the
machine finds them, for the supply does not care who else is logged in.
"""

import fcntl
import hashlib
import os
import re
import stat
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from hil.errors import BenchError

_NOBODY = ("unknown", "an unknown time")


def shared_folder() -> Path:
    """The folder for locks of all users, below the temporary folder of the system."""
    return Path(tempfile.gettempdir()) / "hil-locks"


class BenchLock:
    """Holds ports until `release`.

    Args:
        bench: name of the bench, for whoever is told that it is in use.
        ports: addresses of instruments and serial port; where there are none, the name stands for the bench.
        folder: where the lock files lie; None: `shared_folder`.
        since: present time, told to whoever comes second.

    Raises:
        BenchError: somebody else holds one of them, or a lock file cannot be made.
    """

    def __init__(self, bench: str, *, ports: Iterable[str] = (), since: str, folder: Path | None = None) -> None:
        folder = folder if folder is not None else shared_folder()
        self._handles: list[int] = []
        try:
            _make(folder)
            for port in sorted(set(ports)) or [bench]:  # in one order: two that begin at once cannot block each other
                self._hold(bench, port, folder / _file_name(port), since)
        except OSError as problem:
            self.release()
            where = problem.filename or folder
            raise BenchError(
                f"bench '{bench}': the lock file {where} cannot be made ({problem.strerror}). Give the folder back to "
                "all users (mode 1777), or remove it."
            ) from None
        except BenchError:
            self.release()
            raise

    def _hold(self, bench: str, port: str, path: Path, since: str) -> None:
        handle = _open(path)
        self._handles.append(handle)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            said = os.pread(handle, 200, 0).decode("utf-8", "replace").split()
            pid, begun = said if len(said) == 2 else _NOBODY
            what = f"bench '{bench}' is" if port == bench else f"bench '{bench}': {port} is"
            raise BenchError(
                f"{what} in use by process {pid} since {begun}. Wait until it is done, or end it."
            ) from None
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()} {since}\n".encode(), 0)

    def release(self) -> None:
        """Give the ports free. The files stay: removing one would let two others hold the same name."""
        while self._handles:
            os.close(self._handles.pop())


def _file_name(port: str) -> str:
    # Readable, and different for ports that only differ in what a file name cannot hold.
    return f"{re.sub(r'[^A-Za-z0-9_.-]+', '_', port)[-80:]}-{hashlib.sha256(port.encode()).hexdigest()[:8]}.lock"


def _make(folder: Path) -> None:
    with suppress(FileExistsError):
        folder.mkdir(parents=True)
        folder.chmod(stat.S_ISVTX | 0o777)  # whatever the umask


def _open(path: Path) -> int:
    """Open a lock file for all users.

    It is made on its own, never by opening: systems refuse O_CREAT on another user's file in a folder like this one.
    """
    flags = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW
    with suppress(FileExistsError):
        made = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666)
        os.fchmod(made, 0o666)  # whatever the umask
        return made
    return os.open(path, flags)
