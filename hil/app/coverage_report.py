"""From the table of trials to figures and files."""

from collections.abc import Sequence
from pathlib import Path

from hil.app.coverage_subject import Subject
from hil.app.locate import label_of, locate, read_text
from hil.app.whole_file import write_whole
from hil.core.coverage import Trial
from hil.core.coverage_result import CoverageResult, result
from hil.errors import UsageError
from hil.files.check_order import order_text
from hil.files.layout import parse_layout
from hil.render.coverage_data import as_text, classes_csv, faults_csv
from hil.store.trials import TrialTable

PICTURES = (".png", ".svg", ".pdf")


def report(about: Subject, table: TrialTable, trials: Sequence[Trial], *, most_loss: float = 0.01) -> CoverageResult:
    """What follows from those of the trials that are in the table."""
    wanted = frozenset(trials)
    tried = [one for one in table.all() if one.trial in wanted]
    moved = table.moved()
    return result(about.faults, tried, about.plan, moved or None, planned_trials=len(trials), most_loss=most_loss)


def refuse_places(*, picture: Path | None = None, tables: str | None = None, order: str | None = None) -> None:
    """Refuse places where no file can be, before minutes of trials are spent on what goes there.

    Raises:
        UsageError: a picture of another kind, a folder where a file should be or a file where a folder should be.
    """
    if picture is not None and picture.suffix not in PICTURES:
        raise UsageError(f"--picture {picture}: must end in {', '.join(PICTURES)}.")
    for option, file in (("picture", picture), ("order", None if order is None else Path(order))):
        if file is not None and file.is_dir():
            raise UsageError(f"--{option} {file}: is a folder. Name a file in it.")
    if tables is not None and Path(tables).exists() and not Path(tables).is_dir():
        raise UsageError(f"--csv {tables}: is a file. Name a folder; the tables have names of their own.")


def write_files(
    found: CoverageResult,
    about: Subject,
    *,
    picture: Path | None = None,
    tables: str | None = None,
    order: str | None = None,
) -> tuple[Path, ...]:
    """Write what was asked for; whole files or none.

    Args:
        picture: .png, .svg or .pdf.
        tables: folder for coverage.json, coverage_faults.csv and coverage_classes.csv.
        order: file for the order of the rows.

    Raises:
        UsageError: the board has no layout.
        BenchError: a file cannot be written.
    """
    contents: dict[Path, bytes] = {}
    if picture is not None:
        contents[picture] = _picture(found, about, picture)
    if tables is not None:
        folder = Path(tables)
        contents[folder / "coverage.json"] = as_text(found, about.key).encode()
        contents[folder / "coverage_faults.csv"] = faults_csv(found).encode()
        contents[folder / "coverage_classes.csv"] = classes_csv(found).encode()
    if order is not None:
        text = order_text(found.order.best, board=about.netlist.board, limits=about.files.limits)
        contents[Path(order)] = text.encode()
    for path, content in contents.items():
        write_whole(path, content)
    return tuple(contents)


def _picture(found: CoverageResult, about: Subject, path: Path) -> bytes:
    from hil.render.coverage_picture import coverage_picture

    source = locate("board", f"{about.netlist.board}_layout")
    layout = parse_layout(label_of(source), read_text(source), about.netlist)
    return coverage_picture(found.coverage, about.netlist, layout, file_format=path.suffix[1:])
