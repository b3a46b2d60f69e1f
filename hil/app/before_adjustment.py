"""What an adjustable quantity would be without its adjustment: the same on a blank unit and on one adjusted before.

An adjustment hides what a firmware change did, and a reload moves by whole steps of 16 ppm. "As found" depends on what
the unit had stored. So a comparison looks at the quantity at nominal constants, which follows from what the run left:
    timebase   error as left, less the steps of the reload, each 1/62 500 of the gate
    Ccal       nominal over adjusted, less one          scale   one over adjusted, less one
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

from hil.core.lc import RELOAD
from hil.core.limit import Limit
from hil.core.records import Reading, Run

CCAL_NOMINAL_F = 1200e-12
REPLACED = frozenset({"timebase.as_found", "ccal.as_found", "scale.as_found"})

_Formula = Callable[[Mapping[str, float]], float]
_DERIVED: dict[str, tuple[tuple[str, ...], _Formula, Limit]] = {
    "timebase.at_nominal": (
        ("timebase.as_left", "timebase.reload"),
        lambda found: found["timebase.as_left"] - found["timebase.reload"] / RELOAD,
        Limit(name="timebase.at_nominal", title="timebase error at the nominal reload", lower=-1.0, margin="8 ppm"),
    ),
    "ccal.at_nominal": (
        ("ccal",),
        lambda found: CCAL_NOMINAL_F / found["ccal"] - 1,
        Limit(name="ccal.at_nominal", title="capacitance error at the nominal Ccal", lower=-1.0, margin="0.1 %"),
    ),
    "scale.at_nominal": (
        ("scale",),
        lambda found: 1 / found["scale"] - 1,
        Limit(name="scale.at_nominal", title="inductance error at scale 1", lower=-1.0, margin="0.1 %"),
    ),
}
ROWS: dict[str, Limit] = {name: limit for name, (_, _, limit) in _DERIVED.items()}


def before_adjustment(run: Run) -> Run:
    """The run with the quantities at nominal constants in place of those as found; what is missing stays missing."""
    readings: list[Reading] = [reading for reading in run.readings if reading.name not in REPLACED]
    numbers = {reading.name: value for reading in readings if (value := _number(reading)) is not None}
    known = {reading.name: reading for reading in readings}
    for name, (sources, formula, limit) in _DERIVED.items():
        if not all(source in known for source in sources):
            continue
        value = formula(numbers) if all(source in numbers for source in sources) else None
        readings.append(
            replace(known[sources[0]], name=name, title=limit.title, unit="", value=value, budget=(), nominal=None)
        )
    return replace(run, readings=tuple(readings))


def _number(reading: Reading) -> float | None:
    value = reading.value
    if not isinstance(value, float) or (value == 0 and reading.name in ("ccal", "scale")):  # divided by
        return None
    return value
