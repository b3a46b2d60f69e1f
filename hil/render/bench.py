"""Lines of the readiness check, for a terminal."""

from hil.core.ledger import ReadinessValue
from hil.core.records import InstrumentUsed
from hil.core.units import show


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
