"""The meter's arithmetic: frequencies -> C1, L1, Cx, Lx, and the closed forms of its three adjustments.

    bare tank       f1 = 1 / (2π √(L1·C1))
    with Ccal       f2:  C1 = Ccal·f2² / (f1² − f2²),  L1 = 1 / (4π²·f1²·C1)
    measuring       f3:  Cx = C1·(f1²/f3² − 1) across the tank,  Lx = L1·(f1²/f3² − 1) in series with L1

The formulas follow from Thomson's resonance formula alone (common practice, no source). Differences of squares are
taken as products, so that 1 pF at 695 pF keeps its digits. All functions but `trim` are plain arithmetic and take
uncertain numbers and arrays as well. A timebase that is wrong by δ scales f1, f2 and f3 alike: ratios, and with them
Cx, do not change; L1 and Lx change by −2·δ.
"""

import math
from dataclasses import dataclass

RELOAD = 62_500  # nominal gate, in steps of 16 µs (16 MHz / 256)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """What the oscillator is made of, as two frequencies tell: F and H."""

    capacitance_f: float
    inductance_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """A new gate: its reload, and the error that is left because reloads are whole numbers (a ratio)."""

    reload: int
    residue: float


def excess(bare_hz: float, loaded_hz: float) -> float:
    """f1²/f3² − 1: what the frequency says has been added to the tank, relative to what is in it."""
    return (bare_hz - loaded_hz) * (bare_hz + loaded_hz) / (loaded_hz * loaded_hz)


def tank(bare_hz: float, with_ccal_hz: float, ccal_f: float) -> Tank:
    """C1 and L1 from a calibration.

    Raises:
        ValueError: adding Ccal did not lower the frequency, or there is none.
    """
    lowers = (bare_hz > with_ccal_hz) & (with_ccal_hz > 0)  # an array of them when frequencies are drawn
    if not (lowers if isinstance(lowers, bool) else lowers.all()):
        raise ValueError(f"Ccal must lower the frequency, but it went from {bare_hz} Hz to {with_ccal_hz} Hz")
    capacitance_f = ccal_f / excess(bare_hz, with_ccal_hz)
    return Tank(capacitance_f=capacitance_f, inductance_h=1 / ((2 * math.pi * bare_hz) ** 2 * capacitance_f))


def capacitance_f(found: Tank, bare_hz: float, loaded_hz: float) -> float:
    """Cx across the tank, F."""
    return found.capacitance_f * excess(bare_hz, loaded_hz)


def inductance_h(found: Tank, bare_hz: float, loaded_hz: float) -> float:
    """Lx in series with L1, H."""
    return found.inductance_h * excess(bare_hz, loaded_hz)


def resonance_hz(inductance_h: float, capacitance_f: float) -> float:
    """Thomson's formula, Hz."""
    return 1 / (2 * math.pi * math.sqrt(inductance_h * capacitance_f))


def count_step(found: Tank, bare_hz: float, loaded_hz: float, gate_s: float = 1.0) -> tuple[float, float]:
    """What one count more or less in f3 changes in Cx and Lx, F and H: 2·f1²/f3³ per Hz."""
    per_count = 2 * bare_hz**2 / loaded_hz**3 / gate_s
    return found.capacitance_f * per_count, found.inductance_h * per_count


# Adjustments


def trim(reload: int, reference_hz: float, indicated_hz: float) -> Trim:
    """The reload with which the meter indicates a reference frequency: round(reload·f_ref/f_ind).

    One step of the nominal gate is 16 ppm, so the residue lies within ±8 ppm.

    Raises:
        ValueError: a frequency that is not more than zero.
    """
    if not (reference_hz > 0 and indicated_hz > 0):
        raise ValueError(f"a trim needs two frequencies, not {reference_hz} Hz and {indicated_hz} Hz")
    ratio = reference_hz / indicated_hz
    new = round(reload * ratio)
    return Trim(reload=new, residue=(new - reload * ratio) / (reload * ratio))


def adjusted_ccal_f(ccal_f: float, reference_f: float, indicated_f: float, zero_f: float = 0.0) -> float:
    """Ccal with which a capacitor reads its reference value, F.

    A reading is C1·x − zero and C1 goes with Ccal, so Ccal' = Ccal·(C_ref + zero)/(C_ind + zero).
    """
    return ccal_f * (reference_f + zero_f) / (indicated_f + zero_f)


def adjusted_scale(scale: float, reference_h: float, indicated_h: float, zero_h: float = 0.0) -> float:
    """Inductance scale with which an inductor reads its reference value; as `adjusted_ccal_f`."""
    return scale * (reference_h + zero_h) / (indicated_h + zero_h)


# Reference inductors


def apparent_inductance_h(
    certified_h: float, certified_at_hz: float, frequency_hz: float, self_resonance_hz: float
) -> float:
    """Inductance that a coil with its own capacitance shows at a frequency, H: L/(1 − (f/f_sr)²).

    Args:
        certified_h: apparent inductance at ``certified_at_hz``.

    Raises:
        ValueError: at or above its self-resonance a coil is no inductance.
    """
    if not max(certified_at_hz, frequency_hz) < self_resonance_hz:
        raise ValueError(f"{frequency_hz:g} Hz is not below the self-resonance of {self_resonance_hz:g} Hz")
    low = certified_h * (1 - (certified_at_hz / self_resonance_hz) ** 2)
    return low / (1 - (frequency_hz / self_resonance_hz) ** 2)
