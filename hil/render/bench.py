"""Lines of the readiness check, for a terminal."""

from typing import TYPE_CHECKING

from hil.core.ledger import ReadinessValue
from hil.core.records import InstrumentUsed
from hil.core.units import show

if TYPE_CHECKING:
    from hil.app.bench_control import BenchControl, Recall


def instrument_line(used: InstrumentUsed) -> str:
    """One instrument: who answered, where, and its certificate."""
    life = f", certificate {used.certificate}, due {used.due}" if used.certificate else ", no certificate"
    return f"{used.role:12} {used.address}  {used.identity or '-'}{life}"


def value_line(value: ReadinessValue) -> str:
    """One value with its limits and verdict."""
    low = show(value.lower, value.unit) if value.lower is not None else ""
    high = show(value.upper, value.unit) if value.upper is not None else ""
    limits = f"{low} … {high}" if low and high else f"≥ {low}" if low else f"≤ {high}" if high else ""
    shown = _ppm(value) if value.unit == "" else show(value.value, value.unit)
    if value.unit == "" and value.lower is not None and value.upper is not None:
        limits = f"{value.lower * 1e6:.2f} … {value.upper * 1e6:.2f} ppm"
    words = f"{value.verdict.replace('_', ' ')}{': ' + value.reason if value.reason else ''}"
    return f"{value.name:26} {shown:>16}  {limits:32} {words}"


def _ppm(value: ReadinessValue) -> str:
    return "—" if value.value is None else f"{value.value * 1e6:.2f} ppm"


def control_line(row: dict[str, str]) -> str:
    """One charted value, from `hil.render.bench_charts.value_row`."""
    limits = f"{row['lower']} … {row['upper']}"
    return f"  {row['name']:26} {row['last']:>16}  {limits:32} {row['state']}"


def recall_lines(control: "BenchControl", doubtful: "Recall | None") -> list[str]:
    """The recall list."""
    mark = "SIMULATED  " if control.simulated else ""
    if doubtful is None:
        return [f"{mark}bench '{control.bench}': every readiness check was good; nothing to recall."]
    lines = [f"{mark}bench '{control.bench}': not ready at {doubtful.found[:16]}: {doubtful.reason}"]
    lines += [f"  {stop}" for stop in control.stops]
    lines.append(f"last good readiness check: {doubtful.last_good[:16] or 'none'}")
    if doubtful.began:
        lines.append(f"the change began about {doubtful.began[:16]}, by the charts")
    if doubtful.ended:
        lines.append(f"ready again at {doubtful.ended[:16]}")
    lines.append(f"{len(doubtful.units)} units, {len(doubtful.runs)} runs in doubt:")
    for one in doubtful.runs:
        papers = f"  certificate {', '.join(one.certificates)}" if one.certificates else ""
        run = one.run
        lines.append(f"  {run.serial:14} {run.verdict.value:10} {run.opened[:16]}  {run.run}  {one.why}{papers}")
    return lines
