"""Published values are tests, and the tests are the register of published values.

    @pytest.mark.published("H.1 end gauge", source="JCGM 100:2008", how="read")
    def test_end_gauge(): ...

`how` says where the figures stand: "read" in a text at hand, second-hand where the source says so, or "from memory".
`differs` is one sentence where our answer is not the printed one. ``pytest -m published --published`` runs them all,
in one process, and writes what came of it: every line to tests/published.md, their summary to the part of the README
that says how the software was validated (ISO/IEC 17025:2017, 7.11.2). tests/meta/test_published.py holds both to the
marks.

Where the variable CI is set, as .ci/run does after it has installed everything, a test that is skipped has failed.
"""

import os
from collections.abc import Iterable, Iterator

import pytest

HOW = ("read", "from memory")
FULL = "tests/published.md"
BEGIN, END = "<!-- published values: begin -->", "<!-- published values: end -->"
OTHER = "other publications, and test data of published packages"
GROUPS = {  # line of the summary -> beginnings of the sources that it counts
    "GUM, JCGM 100:2008": ("JCGM 100",),
    "Monte Carlo, JCGM 101:2008": ("JCGM 101",),
    "several results, JCGM 102:2011": ("JCGM 102",),
    "conformity, JCGM 106:2012": ("JCGM 106",),
    "decision rules, ILAC-G8:09/2019": ("ILAC-G8",),
    "calibration, EA-4/02": ("EA-4/02",),
    "analytical measurement, EURACHEM/CITAC": ("EURACHEM",),
    "NIST: TN 1900, Uncertainty Machine, e-Handbook": ("NIST",),
    "risks and guard bands: Z540.3, Deaver, Dobbert, suncal": ("ANSI/NCSL", "Deaver", "Dobbert", "suncal"),
    "measurement systems, AIAG MSA 4th ed.": ("AIAG", "qualityTools"),
    "control charts and capability: Montgomery, Nelson, ISO 22514-4": ("Montgomery", "Nelson", "ASTM", "ISO 22514"),
    "sampling and shares: MIL-STD-105E, Newcombe, Kiermeier": ("MIL-STD", "Newcombe", "Kiermeier", "statsmodels"),
    "equivalence and agreement: Student, Bland, TOSTER": ("Student", "Bland", "TOSTER", "pingouin", "PASS"),
    "instruments, IEEE 488.2 and SCPI-1999": ("IEEE", "SCPI"),
}
_rows = pytest.StashKey[dict[str, dict[str, str]]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--published", action="store_true", help="write tests/published.md and its summary in README.md")
    parser.addoption("--keep-tables", action="store_true", help="studies write their tables to tests/data anew")


def pytest_collection_finish(session: pytest.Session) -> None:
    rows: dict[str, dict[str, str]] = {}
    for item in session.items:
        for mark in item.iter_markers("published"):
            rows.setdefault(item.nodeid, _row(item, *mark.args, **mark.kwargs))
    session.config.stash[_rows] = rows


def _row(item: pytest.Item, example: str, *, source: str, how: str, differs: str = "") -> dict[str, str]:
    if how not in HOW:
        raise pytest.UsageError(f"{item.nodeid}: how is one of {', '.join(HOW)}, not {how!r}")
    place = item.nodeid.split("[")[0]
    return {"example": example, "source": source, "how": how, "differs": differs, "test": place, "outcome": "not run"}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI"):
        report.outcome, report.longrepr = "failed", f"skipped, and nothing may be where CI is set: {report.longrepr}"
    row = item.config.stash.get(_rows, {}).get(item.nodeid)
    if row is not None and (report.when == "call" or not report.passed):
        row["outcome"] = "agrees" if report.passed else report.outcome
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    if not config.getoption("--published"):
        return
    rows = merged(config.stash.get(_rows, {}).values())
    readme, full = config.rootpath / "README.md", config.rootpath / FULL
    full.write_text(full_table(rows), encoding="utf-8")
    readme.write_text(with_summary(readme.read_text(encoding="utf-8"), rows), encoding="utf-8")
    terminalreporter.write_line(f"{FULL}, README.md: {len(rows)} published examples and their outcomes")


def merged(rows: Iterable[dict[str, str]]) -> list[dict[str, str]]:
    """One row an example, by source; parametrised tests make one, and the worst outcome counts."""
    found: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in rows:
        known = found.setdefault((row["source"], row["example"], row["test"]), dict(row))
        if row["outcome"] != "agrees":
            known["outcome"] = row["outcome"]
    return [found[key] for key in sorted(found)]


def full_table(rows: list[dict[str, str]]) -> str:
    """Every example, in Markdown."""
    columns = ("source", "example", "figures", "outcome", "where ours differs, and why", "test")
    lines = [
        "# Published values that the software was held against",
        "",
        "Written by `pytest -m published --published`. Figures were read in a text at hand, or are from memory.",
        "",
        _line(columns),
        "| --- " * len(columns) + "|",
    ]
    for row in rows:
        lines.append(
            _line((*(row[key] for key in ("source", "example", "how", "outcome", "differs")), f"`{row['test']}`"))
        )
    return "\n".join(lines) + "\n"


def with_summary(readme: str, rows: list[dict[str, str]]) -> str:
    """The README with the summary of the examples between its two marks."""
    head, begin, rest = readme.partition(BEGIN)
    _, end, tail = rest.partition(END)
    if not begin or not end:
        raise pytest.UsageError(f"README.md: the marks {BEGIN} and {END} are missing")
    return f"{head}{begin}\n\n{summary(rows)}\n{end}{tail}"


def summary(rows: list[dict[str, str]]) -> str:
    """Examples by the standard or the field they come from, in Markdown."""
    columns = ("source", "examples", "agree", "figures read", "from memory", "print differs, explained")
    lines = [_line(columns), "| --- |" + " ---: |" * (len(columns) - 1)]
    for group in (*GROUPS, OTHER, "all"):
        members = [row for row in rows if group in ("all", _group(row["source"]))]
        counts = (
            len(members),
            sum(row["outcome"] == "agrees" for row in members),
            sum(row["how"] == "read" for row in members),
            sum(row["how"] != "read" for row in members),
            sum(bool(row["differs"]) for row in members),
        )
        lines.append(_line((group, *map(str, counts))))
    return "\n".join(lines) + "\n"


def _group(source: str) -> str:
    return next((group for group, starts in GROUPS.items() if source.startswith(starts)), OTHER)


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
