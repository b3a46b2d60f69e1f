"""Published values are tests, and the tests are the register of published values.

    @pytest.mark.published("H.1 end gauge", source="JCGM 100:2008", how="read")
    def test_end_gauge(): ...

`how` says where the figures stand: "read" in a text at hand, second-hand where the source says so, or "from memory".
`differs` is one sentence where our answer is not the printed one. ``pytest -m published --published FILE`` writes the
table of all of them with their outcomes, in Markdown (``-`` for the terminal): the page in the README that says how
the software was validated (ISO/IEC 17025:2017, 7.11.2) is made of it.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

HOW = ("read", "from memory")
_rows = pytest.StashKey[dict[str, dict[str, str]]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--published", metavar="FILE", help="write the table of published values and their outcomes")


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
    row = item.config.stash.get(_rows, {}).get(item.nodeid)
    if row is not None and (report.when == "call" or not report.passed):
        row["outcome"] = "agrees" if report.passed else report.outcome
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    target = config.getoption("--published")
    if target is None:
        return
    table = published_table(list(config.stash.get(_rows, {}).values()))
    if target == "-":
        terminalreporter.write_line(table)
    else:
        Path(target).write_text(table, encoding="utf-8")
        terminalreporter.write_line(f"{target}: published values and their outcomes")


def published_table(rows: list[dict[str, str]]) -> str:
    """The table in Markdown; parametrised tests make one line, the worst outcome counts."""
    merged: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in rows:
        known = merged.setdefault((row["source"], row["example"], row["test"]), dict(row))
        if row["outcome"] != "agrees":
            known["outcome"] = row["outcome"]
    lines = ["| source | example | figures | outcome | where ours differs, and why | test |", "| --- " * 6 + "|"]
    for row in merged.values():
        cells = (row["source"], row["example"], row["how"], row["outcome"], row["differs"], f"`{row['test']}`")
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"
