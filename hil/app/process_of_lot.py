"""What units of a lot were like, from their records, as the text of a process file."""

import math
from collections.abc import Iterable, Mapping, Sequence
from fnmatch import fnmatchcase

from hil.app.expected import Expected
from hil.core.records import Run, UnitVerdict
from hil.core.units import show
from hil.errors import UsageError

SHARED = (("Ccal", "c_*"), ("inductance scale", "l_*"), ("5 V regulator", "rail_5v_*"))
LEAST_UNITS = 10
LEAST_SD = 1e-3  # of the tolerance


def process_text(runs: Iterable[Run], rows: Sequence[Expected], *, board: str, lot: str) -> str:
    """Mean and standard deviation of each row's true values: the scatter of readings less that of reading them.

    Units that failed are left out: what went wrong with them is no part of a normal process. Where the readings
    scatter no more than reading them does, a thousandth of the tolerance stands for the unknown rest. What rows share
    is told from the median covariance of their relative deviations.

    Raises:
        UsageError: too few units.
    """
    limits = {row.limit.name: row for row in rows}
    found: dict[str, dict[str, float]] = {}
    for run in runs:
        if run.closed is None or run.closed.verdict is UnitVerdict.FAIL:
            continue
        for reading in run.readings:
            row = limits.get(reading.name)
            value = reading.value
            if row is None or isinstance(value, (bool, str)) or value is None:
                continue
            centre = reading.nominal if reading.nominal is not None else row.limit.centre
            found.setdefault(reading.name, {})[run.opened.serial] = value - centre
    units = max((len(values) for values in found.values()), default=0)
    if units < LEAST_UNITS:
        raise UsageError(f"lot '{lot}': {units} units are too few for a process; {LEAST_UNITS} are needed.")
    lines = [
        "# What units are like before they are judged. Grammar: hil/files/process.py.",
        f"# Found from {units} units of lot {lot}, units that failed left out.",
        "format = 1",
        f'board = "{board}"',
        'reliability = "95 %"',
    ]
    spreads: dict[str, float] = {}
    for name, values in found.items():
        row = limits[name]
        mean, sd = _moments(list(values.values()))
        sd = math.sqrt(max(0.0, sd**2 - (row.budget.type_a_uncertainty**2 if row.budget else 0.0)))
        zone = row.limit.zone
        if zone.lower is not None and zone.upper is not None:
            sd = max(sd, LEAST_SD * (zone.upper - zone.lower) / 2)
        if sd > 0:
            spreads[name] = sd
            key = f'"{name}"' if "." in name else name
            lines += [
                "",
                f"[check.{key}]",
                f'mean = "{_written(mean, row.limit.unit)}"',
                f'sd = "{_written(sd, row.limit.unit)}"',
            ]
    for shared, pattern in SHARED:
        members = [name for name in spreads if fnmatchcase(name, pattern) and limits[name].limit.centre]
        loading = _shared_loading(members, found, limits, spreads)
        if loading:
            lines += ["", f'[shared."{shared}"]', f'"{pattern}" = "{100 * loading:.3g} %"']
    return "\n".join(lines) + "\n"


def _written(value: float, unit: str) -> str:
    return show(value, unit, 4) if unit and abs(value) >= 1e-15 else f"{value:.4g} {unit}".rstrip()


def _moments(values: Sequence[float]) -> tuple[float, float]:
    mean = math.fsum(values) / len(values)
    return mean, math.sqrt(math.fsum((value - mean) ** 2 for value in values) / max(1, len(values) - 1))


def _shared_loading(
    members: Sequence[str],
    found: Mapping[str, Mapping[str, float]],
    limits: Mapping[str, Expected],
    spreads: Mapping[str, float],
) -> float:
    covariances = []
    for i, first in enumerate(members):
        for second in members[i + 1 :]:
            serials = sorted(set(found[first]) & set(found[second]))
            a, b = (
                [found[name][serial] / abs(limits[name].limit.centre) for serial in serials] for name in (first, second)
            )
            (mean_a, _), (mean_b, _) = _moments(a), _moments(b)
            products = ((x - mean_a) * (y - mean_b) for x, y in zip(a, b, strict=True))
            covariances.append(math.fsum(products) / max(1, len(serials) - 1))
    if not covariances:
        return 0.0
    covariance = sorted(covariances)[len(covariances) // 2]  # the median: one odd pair does not decide
    # No row can share more than its own spread.
    least = min(spreads[name] / abs(limits[name].limit.centre) for name in members)
    return min(math.sqrt(max(0.0, covariance)), 0.95 * least)
