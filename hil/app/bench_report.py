"""Files about a bench: its control charts as a page, the readings behind them, and the recall list."""

import csv
import io
from pathlib import Path
from typing import Any

from hil.app.bench_control import BenchControl, Recall
from hil.app.locate import read_text
from hil.app.whole_file import write_whole
from hil.render.bench_charts import bench_page, points_csv
from hil.suite import ROOT

TEMPLATE = ROOT / "reports" / "bench.html"
RECALL_COLUMNS = (
    "simulated", "bench", "serial", "run", "opened", "verdict", "scope", "lot", "attempt", "operator", "certificates",
    "why",
)  # fmt: skip


def write_bench_charts(control: BenchControl, doubtful: Recall | None, folder: Path, *, now: str) -> tuple[Path, ...]:
    """The page and its readings as CSV; whole files or none.

    Raises:
        BenchError: they cannot be written.
    """
    mark = "-SIMULATED" if control.simulated else ""
    stem = f"bench-{''.join(c if c.isalnum() or c in '-_.' else '_' for c in control.bench)}{mark}"
    page = bench_page(control, doubtful, read_text(TEMPLATE), now=now)
    table = points_csv(control.controls, simulated=control.simulated)
    return (
        write_whole(folder / f"{stem}.html", page.encode()),
        write_whole(folder / f"{stem}.csv", table.encode()),
    )


def recall_rows(doubtful: Recall) -> list[dict[str, Any]]:
    """One row a run, with the names in `RECALL_COLUMNS`."""
    return [
        {
            "simulated": "SIMULATED" if one.run.simulated else "no",
            "bench": one.run.bench,
            "serial": one.run.serial,
            "run": one.run.run,
            "opened": one.run.opened,
            "verdict": one.run.verdict.value,
            "scope": one.run.scope,
            "lot": one.run.lot,
            "attempt": one.run.attempt,
            "operator": one.run.operator,
            "certificates": list(one.certificates),
            "why": one.why,
        }
        for one in doubtful.runs
    ]


def recall_csv(doubtful: Recall) -> str:
    """The recall list, one line a run."""
    out = io.StringIO()
    writer = csv.DictWriter(out, RECALL_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for row in recall_rows(doubtful):
        writer.writerow({**row, "certificates": " ".join(row["certificates"])})
    return out.getvalue()


def recall_json(control: BenchControl, doubtful: Recall | None) -> dict[str, Any]:
    """State of the bench and the recall list as plain data."""
    return {
        "format": 1,
        "bench": control.bench,
        "simulated": control.simulated,
        "in_control": not control.stops,
        "fired": [{"value": s.name, "rule": s.rule, "time": s.time, "since": s.since} for s in control.stops],
        "reason": doubtful.reason if doubtful else "",
        "not_ready_since": doubtful.found if doubtful else None,
        "last_good": (doubtful.last_good or None) if doubtful else None,
        "change_began": (doubtful.began or None) if doubtful else None,
        "ready_again": (doubtful.ended or None) if doubtful else None,
        "units": list(doubtful.units) if doubtful else [],
        "runs": recall_rows(doubtful) if doubtful else [],
    }
