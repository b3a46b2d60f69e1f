"""What a meter could do at best: from its own frequencies and constants, the errors of Cx and Lx it has to expect.

A reading is worked out by the meter's own arithmetic (`hil.core.lc`) from three counts. Four things can be wrong with
it: Ccal (or the inductance scale) that is stored, the timebase, the counts themselves, and the noise of the tank. Each
is an input of the budget, so the budget shows what the physics says: a wrong timebase scales f1, f2 and f3 alike,
cancels from every capacitance and counts twice, with the opposite sign, in every inductance.
"""

from dataclasses import dataclass
from typing import Any

from hil.core import lc
from hil.core.budget import Budget, budget
from hil.core.inputs import Input, normal, rectangular, triangular


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit as it is adjusted.

    Args:
        bare_hz, with_ccal_hz: f1 and f2 of its calibration.
        ccal_f, u_ccal: the stored Ccal and its relative standard uncertainty (of the part that adjusted it).
        scale, u_scale: the stored inductance scale and its relative standard uncertainty.
        timebase: half-width of the relative error of the timebase.
        noise: relative standard deviation of one gate's frequency.
        noise_dof: its degrees of freedom; None: well known.
        gate_s: one count in it is the resolution.
    """

    bare_hz: float
    with_ccal_hz: float
    ccal_f: float
    u_ccal: float
    scale: float = 1.0
    u_scale: float = 5e-4
    timebase: float = 20e-6
    noise: float = 2e-6
    noise_dof: float | None = None
    gate_s: float = 1.0

    def __post_init__(self) -> None:
        lc.tank(self.bare_hz, self.with_ccal_hz, self.ccal_f)  # raises when the frequencies make no tank
        for name in ("u_ccal", "u_scale", "timebase", "noise", "gate_s"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be more than zero, not {getattr(self, name)!r}")

    @property
    def tank(self) -> lc.Tank:
        """C1 and L1 as its calibration gives them."""
        return lc.tank(self.bare_hz, self.with_ccal_hz, self.ccal_f)


def capacitance_error(unit: Unit, capacitance_f: float) -> Budget:
    """Budget of the error of a capacitance reading, F: reading less true value."""
    loaded_hz = unit.bare_hz / (1 + capacitance_f / unit.tank.capacitance_f) ** 0.5

    def error(ccal: Any, timebase: Any, *moved: Any) -> Any:
        f1, f2, f3 = _counted((unit.bare_hz, unit.with_ccal_hz, loaded_hz), timebase, moved)
        return lc.capacitance_f(lc.tank(f1, f2, unit.ccal_f * (1 + ccal)), f1, f3) - capacitance_f

    ccal = normal("Ccal as stored", 0.0, unit.u_ccal)
    return budget(error, [ccal, *_inputs(unit, loaded_hz)], unit="F")


def inductance_error(unit: Unit, inductance_h: float) -> Budget:
    """Budget of the error of an inductance reading, H: reading less true value.

    Ccal has its own row although the scale was adjusted after it: a Ccal that changes later moves every inductance
    the opposite way.
    """
    loaded_hz = unit.bare_hz / (1 + inductance_h / (unit.scale * unit.tank.inductance_h)) ** 0.5

    def error(scale: Any, ccal: Any, timebase: Any, *moved: Any) -> Any:
        f1, f2, f3 = _counted((unit.bare_hz, unit.with_ccal_hz, loaded_hz), timebase, moved)
        found = lc.tank(f1, f2, unit.ccal_f * (1 + ccal))
        return unit.scale * (1 + scale) * lc.inductance_h(found, f1, f3) - inductance_h

    constants = [normal("inductance scale as stored", 0.0, unit.u_scale), normal("Ccal as stored", 0.0, unit.u_ccal)]
    return budget(error, [*constants, *_inputs(unit, loaded_hz)], unit="H")


def tank_error(unit: Unit) -> tuple[Budget, Budget]:
    """Budgets of C1 (F) and L1 (H) as derived from f1, f2 and Ccal."""

    def capacitance(ccal: Any, timebase: Any, *moved: Any) -> Any:
        f1, f2 = _counted((unit.bare_hz, unit.with_ccal_hz), timebase, moved)
        return lc.tank(f1, f2, unit.ccal_f * (1 + ccal)).capacitance_f

    def inductance(ccal: Any, timebase: Any, *moved: Any) -> Any:
        f1, f2 = _counted((unit.bare_hz, unit.with_ccal_hz), timebase, moved)
        return lc.tank(f1, f2, unit.ccal_f * (1 + ccal)).inductance_h

    inputs = [normal("Ccal as stored", 0.0, unit.u_ccal), *_inputs(unit, None)]
    return budget(capacitance, inputs, unit="F"), budget(inductance, inputs, unit="H")


def _counted(true_hz: tuple[float, ...], timebase: Any, moved: tuple[Any, ...]) -> list[Any]:
    """Frequencies as a meter with that timebase error counts them; ``moved`` are noise and count of each."""
    return [
        frequency * (1 + timebase) * (1 + noise) + count
        for frequency, noise, count in zip(true_hz, moved[::2], moved[1::2], strict=True)
    ]


def _inputs(unit: Unit, loaded_hz: float | None) -> list[Input]:
    inputs = [rectangular("timebase", 0.0, unit.timebase)]
    for name in ("f1", "f2") if loaded_hz is None else ("f1", "f2", "f3"):
        inputs.append(normal(f"{name}: noise", 0.0, unit.noise, dof=unit.noise_dof, kind="A"))
        inputs.append(triangular(f"{name}: one count", 0.0, 1 / unit.gate_s, unit="Hz"))
    return inputs
