"""The budget of one judged reading, as named rows.

Of a reading of a reference part the measurand is the error of indication, reading less reference: certificate, drift
and temperature of the part, zero and contacts of the jig, resolution and repeatability of the meter. Of any other
reading it is the quantity itself: accuracy of the instrument that took it, and repeatability.

Every model here is a sum, so the first order of the GUM is exact and no Monte Carlo is needed (JCGM 101 5.7).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hil.core.budget import Budget, budget
from hil.core.drift import drift_of
from hil.core.equipment import Accuracy, Part
from hil.core.inputs import Correlation, Input, normal, rectangular

COUNTED_C_F, COUNTED_L_H = 680e-12, 100e-6  # nominal tank of the meter, enough for the size of one count
ONE_JIG_PF = 0.0013  # relative change of an inductor's reading per pF across it, from 1 mH up


@dataclass(frozen=True, slots=True, kw_only=True)
class JigUncertainty:
    """What the jig adds to a reading of a part; half-widths but for the repeatabilities (standard deviations)."""

    zero_f: float = 0.02e-12
    zero_h: float = 5e-9
    contact_f: float = 0.01e-12
    contact_h: float = 3e-9
    across_inductor_f: float = 0.3e-12  # how well the capacitance across an inductor is known


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What holds for all readings of a run.

    Args:
        today: ISO date.
        accuracies: by (role, quantity).
        temperature_half_width_k: of the thermometer; 2 K where nobody measured.
    """

    today: str
    accuracies: Mapping[tuple[str, str], Accuracy]
    jig: JigUncertainty = JigUncertainty()
    temperature_half_width_k: float = 2.0


QUANTITIES = {"V": "voltage", "A": "current", "ohm": "resistance", "Hz": "frequency", "degC": "temperature"}


def error_budget(
    value: float,
    part: Part,
    unit: str,
    circumstances: Circumstances,
    *,
    repeats: Sequence[float] = (),
    temperature_degc: float | None = None,
) -> Budget | None:
    """Budget of the error of indication at a reference part; None for the empty and the shorted jig.

    Args:
        value: indicated value, F or H.
        repeats: single readings whose mean it is.
        temperature_degc: at the jig; None: nobody measured.
    """
    if part.present is None or unit not in ("F", "H") or value <= 0:
        return None
    inputs, correlation = _of_part(part, unit, circumstances, temperature_degc)
    jig = circumstances.jig
    if unit == "F":
        inputs.append(rectangular("jig: residual zero", 0.0, jig.zero_f, unit="F"))
        inputs.append(normal("jig: contact repeatability", 0.0, jig.contact_f, unit="F"))
    else:
        inputs.append(rectangular("jig: residual zero", 0.0, jig.zero_h, unit="H"))
        inputs.append(normal("jig: contact repeatability", 0.0, jig.contact_h, unit="H"))
        across = ONE_JIG_PF * jig.across_inductor_f / 1e-12 * value * min(1.0, value / 1e-3)
        inputs.append(rectangular("jig: capacitance across the inductor", 0.0, across, unit="H"))
    inputs.append(rectangular("meter: resolution", 0.0, one_count(value, unit) / 2, unit=unit))
    inputs.extend(_repeatability(repeats, unit))
    return budget(_sum, inputs, correlation=correlation, unit=unit)


def _sum(*terms: object) -> object:
    total = terms[0]
    for term in terms[1:]:
        total = total + term  # type: ignore[operator]
    return total


def one_count(value: float, unit: str) -> float:
    """What one pulse more or less in a gate of 1 s is worth, F or H.

    dX = 2·(X0 + X)/f3, from f3 = f1·√(X0/(X0 + X)).
    """
    own = COUNTED_C_F if unit == "F" else COUNTED_L_H
    f1 = 1 / (2 * math.pi * math.sqrt(COUNTED_C_F * COUNTED_L_H))
    return 2 * (own + value) / (f1 * math.sqrt(own / (own + value)))


def _of_part(
    part: Part, unit: str, circumstances: Circumstances, temperature_degc: float | None
) -> tuple[list[Input], Correlation]:
    found, correlation = drift_of(part).inputs_on(circumstances.today, unit)
    inputs = list(found)
    away_k = abs((temperature_degc if temperature_degc is not None else part.temperature_degc) - part.temperature_degc)
    half = part.value * (
        abs(part.temperature_coefficient_per_k) * circumstances.temperature_half_width_k
        + part.temperature_coefficient_tolerance_per_k * away_k
    )
    if half > 0:
        inputs.append(rectangular("part: temperature", 0.0, half, unit=unit))
    if part.self_resonance_hz is not None and part.frequency_hz is not None:
        # The apparent value is corrected to the frequency of the reading; a tenth of the correction stays in doubt.
        half = 0.1 * part.value * (part.frequency_hz / part.self_resonance_hz) ** 2
        inputs.append(rectangular("part: frequency", 0.0, half, unit=unit))
    return inputs, dict(correlation)


def _repeatability(repeats: Sequence[float], unit: str) -> list[Input]:
    if len(repeats) < 2:
        return []
    mean = math.fsum(repeats) / len(repeats)
    # Deviations from the mean: squares of raw frequencies would lose all digits.
    s = math.sqrt(math.fsum((one - mean) ** 2 for one in repeats) / (len(repeats) - 1))
    if s == 0:
        return []
    u = s / math.sqrt(len(repeats))
    return [normal("repeatability", 0.0, u, unit=unit, dof=len(repeats) - 1, kind="A")]


def quantity_budget(
    value: float, unit: str, roles: Sequence[str], circumstances: Circumstances, *, repeats: Sequence[float] = ()
) -> Budget | None:
    """Budget of a reading that an instrument took; None when no instrument of stated accuracy took part.

    Args:
        roles: instruments used. A ratio (unit "") to a reference frequency rests on counter or generator.
    """
    inputs: list[Input] = []
    quantity = QUANTITIES.get(unit, "frequency" if unit == "" else "")
    for role in roles:
        accuracy = circumstances.accuracies.get((role, quantity))
        if accuracy is None:
            continue
        half = accuracy.relative if unit == "" else accuracy.half_width(value)
        if half > 0:
            inputs.append(rectangular(f"{role}: accuracy", 0.0, half, unit=unit))
    if not inputs:
        return None
    inputs.extend(_repeatability(repeats, unit))
    return budget(_sum, inputs, unit=unit)
