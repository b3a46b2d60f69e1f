"""Find and read the data files: a value with a slash or a suffix is a path, else the name of a shipped file."""

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from hil.core.equipment import Kit
from hil.core.limit import Limits
from hil.errors import UsageError
from hil.files.bench import BenchFile, parse_bench
from hil.files.limits import parse_limits
from hil.files.located import did_you_mean
from hil.files.parts import parse_kit
from hil.suite import ROOT

if TYPE_CHECKING:
    from hil.files.process import ProcessFile

FOLDERS = {
    "limits": ROOT / "limits",
    "bench": ROOT / "fixtures" / "benches",
    "kit": ROOT / "fixtures" / "kits",
    "board": ROOT / "fixtures" / "boards",
    "process": ROOT / "fixtures" / "processes",
    "commands": ROOT / "fixtures" / "benches" / "commands",
}


def locate(kind: str, value: str, *, base: Path | None = None) -> Path:
    """The file that a value means.

    Args:
        kind: limits, bench, kit, board, process or commands.
        value: a path (it has a slash or a suffix), or the name of a shipped file.
        base: folder that a relative path starts from; None: the present one.

    Raises:
        UsageError: no such file, naming what there is.
    """
    if "/" in value or "\\" in value or Path(value).suffix:
        path = Path(value).expanduser() if base is None else base / Path(value).expanduser()
        if not path.is_file():
            raise UsageError(f"{kind} '{value}': there is no file {path}. Correct the path.")
        return path
    shipped = shipped_names(kind)
    if value not in shipped:
        near = did_you_mean(value, shipped)
        raise UsageError(f"{kind} '{value}': not shipped with hil. {near} A file of your own is named with its suffix.")
    return FOLDERS[kind] / f"{value}.toml"


def shipped_names(kind: str) -> list[str]:
    """Names of the files of a kind that travel with the program."""
    return sorted(path.stem for path in FOLDERS[kind].glob("*.toml") if path.stem != "released")


def label_of(path: Path) -> str:
    """How messages name a file: shipped ones from the top of the suite, others as they were given."""
    try:
        return path.relative_to(ROOT).as_posix()
    except ValueError:
        return str(path)


def read_text(path: Path) -> str:
    """Text of a data file.

    Raises:
        UsageError: it cannot be read, or is not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise UsageError(f"{label_of(path)}: not a text in UTF-8. Save it as UTF-8.") from None
    except OSError as problem:
        raise UsageError(f"{label_of(path)}: cannot be read: {problem.strerror}.") from None


def netlist_sha256(board: str) -> str:
    """What tells one state of a board's netlist from another.

    Raises:
        UsageError: no such board.
    """
    return hashlib.sha256(read_text(locate("board", board)).encode()).hexdigest()


def load_limits(value: str) -> Limits:
    """Read limits by name or path.

    Raises:
        UsageError: no such file, or something wrong in it.
    """
    path = locate("limits", value)
    return parse_limits(label_of(path), read_text(path))


def load_bench(value: str) -> BenchFile:
    """Read a bench by name or path.

    Raises:
        UsageError: no such file, or something wrong in it.
    """
    path = locate("bench", value)
    return parse_bench(label_of(path), read_text(path))


def load_kit(value: str, *, today: str, base: Path | None = None) -> Kit:
    """Read a kit by name or path; `base` is the folder of the file that names it.

    Raises:
        UsageError: no such file, or something wrong in it.
    """
    path = locate("kit", value, base=base)
    return parse_kit(label_of(path), read_text(path), today=today)


def load_kit_of(bench: BenchFile, *, today: str) -> Kit:
    """The kit that a bench file names; a relative path starts from the folder of the bench file.

    Raises:
        UsageError: no such file, or something wrong in it.
    """
    path = Path(bench.file)
    is_path = "/" in bench.kit or "." in bench.kit
    return load_kit(bench.kit, today=today, base=path.parent if is_path and path.is_file() else None)


def load_process(value: str) -> "ProcessFile":
    """The process file that a value means; "" assumes that 95 % of units conform at each limit (common practice)."""
    from hil.files.process import ASSUMED, parse_process  # late: figures of risk bring scipy along, a second

    if not value:
        return ASSUMED
    path = locate("process", value)
    return parse_process(label_of(path), read_text(path))
