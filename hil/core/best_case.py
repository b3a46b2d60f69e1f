"""What a meter could do at best: from its own frequencies and constants, the errors of Cx and Lx it has to expect.

A reading is worked out by the meter's own arithmetic (`hil.core.lc`) from three counts. Four things can be wrong with
it: Ccal (or the inductance scale) that is stored, the timebase, the counts themselves, and the noise of the tank. Each
is an input of the budget, so the budget shows what the physics says: a wrong timebase scales f1, f2 and f3 alike,
cancels from every capacitance and counts twice, with the opposite sign, in every inductance.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from hil.core import lc
from hil.core.budget import Budget, budget, linear_budget, sensitivities
from hil.core.equipment import MeterUncertainty
from hil.core.inputs import normal, rectangular, triangular
from hil.core.reading_budget import TERMINALS


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit as it is adjusted.

    Args:
        bare_hz, with_ccal_hz: f1 and f2 of its calibration.
        ccal_f, u_ccal: the stored Ccal and its relative standard uncertainty, that of the part that adjusted it; 0:
            Ccal is what it is by definition, and has no row.
        scale, u_scale: the stored inductance scale and its relative standard uncertainty, likewise.
        meter: timebase and noise of one gate.
        gate_s: one count in it is the resolution.
        terminals_f: half-width of what the jig across the open terminals adds to C1; 0: the zero took it off.

    Raises:
        ValueError: frequencies that make no tank, or an uncertainty below zero.
    """

    bare_hz: float
    with_ccal_hz: float
    ccal_f: float
    u_ccal: float
    meter: MeterUncertainty
    scale: float = 1.0
    u_scale: float = 0.0
    gate_s: float = 1.0
    terminals_f: float = 0.0

    def __post_init__(self) -> None:
        lc.tank(self.bare_hz, self.with_ccal_hz, self.ccal_f)  # raises when the frequencies make no tank
        for name in ("u_ccal", "u_scale"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must be zero or more, not {getattr(self, name)!r}")
        if not self.gate_s > 0:
            raise ValueError(f"gate_s must be more than zero, not {self.gate_s!r}")

    @property
    def tank(self) -> lc.Tank:
        """C1 and L1 as its calibration gives them."""
        return lc.tank(self.bare_hz, self.with_ccal_hz, self.ccal_f)


TIMEBASE = "meter: timebase"  # as in `hil.core.reading_budget`: all that rests on it shares it
CCAL = "Ccal as stored"
SCALE = "inductance scale as stored"


def capacitance_error(unit: Unit, capacitance_f: float, *, checked: bool = False) -> Budget:
    """Budget of the error of a capacitance reading, F: reading less true value.

    Args:
        checked: hold it against Monte Carlo, which replaces it where the model is not linear enough
            (`hil.core.montecarlo.evaluate`).
    """
    loaded_hz = unit.bare_hz / (1 + capacitance_f / unit.tank.capacitance_f) ** 0.5

    def error(read: "_Read") -> Any:
        return lc.capacitance_f(read.tank, read.hz[0], read.hz[2]) - capacitance_f

    return _propagated(error, unit, loaded_hz, unit="F", checked=checked)


def inductance_error(unit: Unit, inductance_h: float, *, checked: bool = False) -> Budget:
    """Budget of the error of an inductance reading, H: reading less true value.

    Ccal has its own row although the scale was adjusted after it: a Ccal that changes later moves every inductance
    the opposite way. ``checked`` as in `capacitance_error`.
    """
    loaded_hz = unit.bare_hz / (1 + inductance_h / (unit.scale * unit.tank.inductance_h)) ** 0.5

    def error(read: "_Read") -> Any:
        return read.scale * lc.inductance_h(read.tank, read.hz[0], read.hz[2]) - inductance_h

    return _propagated(error, unit, loaded_hz, unit="H", checked=checked)


def tank_error(unit: Unit) -> tuple[Budget, Budget]:
    """Budgets of C1 (F) and L1 (H) as derived from f1, f2 and Ccal."""
    return (
        _propagated(lambda read: read.tank.capacitance_f, unit, unit="F", by_steps=True),
        _propagated(lambda read: read.tank.inductance_h, unit, unit="H", by_steps=True),
    )


class _Read(NamedTuple):
    """What the meter works with, each an uncertain number: its tank, its scale, and the frequencies it counted."""

    tank: lc.Tank
    scale: Any
    hz: Sequence[Any]


def _propagated(
    model: Callable[[_Read], Any],
    of: Unit,
    *loaded_hz: float,
    unit: str,
    checked: bool = False,
    by_steps: bool = False,
) -> Budget:
    """Budget of what the model makes of frequencies as the meter counts them.

    Args:
        by_steps: sensitivities from steps of one u, good to a millionth here, instead of exact ones, for which the
            library of uncertain numbers has to be loaded.
    """
    true_hz = (of.bare_hz, of.with_ccal_hz, *loaded_hz)
    inputs = [rectangular(TIMEBASE, 0.0, of.meter.timebase)]
    for number in range(1, len(true_hz) + 1):
        inputs.append(normal(f"f{number}: noise", 0.0, of.meter.noise, dof=of.meter.noise_dof, kind="A"))
        inputs.append(triangular(f"f{number}: one count", 0.0, 1 / of.gate_s, unit="Hz"))
    if of.terminals_f:
        inputs.append(rectangular(TERMINALS, 0.0, of.terminals_f, unit="F"))
    stored = [(CCAL, of.u_ccal), *([(SCALE, of.u_scale)] if loaded_hz and unit == "H" else [])]
    inputs.extend(normal(name, 0.0, u) for name, u in stored if u)
    names = [entry.name for entry in inputs]
    inductance_h = of.tank.inductance_h
    tanks_f = [1 / ((2 * math.pi * frequency) ** 2 * inductance_h) for frequency in true_hz]

    def result(*terms: Any) -> Any:
        off = dict(zip(names, terms, strict=True))
        hz = []
        for number, (frequency, tank_f) in enumerate(zip(true_hz, tanks_f, strict=True), start=1):
            real = frequency * (1 - off.get(TERMINALS, 0.0) / (2 * tank_f))
            counted = real * (1 + off[TIMEBASE]) * (1 + off[f"f{number}: noise"])
            hz.append(counted + off[f"f{number}: one count"])
        tank = lc.tank(hz[0], hz[1], of.ccal_f * (1 + off.get(CCAL, 0.0)))
        return model(_Read(tank=tank, scale=of.scale * (1 + off.get(SCALE, 0.0)), hz=hz))

    if checked:
        from hil.core.montecarlo import evaluate  # late: most budgets need no numpy

        return evaluate(result, inputs, unit=unit, coverage="shape", most_draws=1_000_000)
    if by_steps:
        at = float(result(*(entry.value for entry in inputs)))
        return linear_budget(at, inputs, sensitivities(result, inputs), unit=unit, coverage="shape")
    return budget(result, inputs, unit=unit, coverage="shape")
