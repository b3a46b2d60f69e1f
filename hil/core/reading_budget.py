"""The budget of one judged reading, as named rows.

    at a reference part    the measurand is the error of indication, reading less reference: certificate, drift,
                           temperature and frequency of the part; zero, contacts, loss and capacitance of the jig;
                           resolution, repeatability and drift since zero of the meter
    by an instrument       the quantity itself: accuracy of the instrument, repeatability
    a count of the meter   timebase, resolution and noise of its frequency

One count of the meter's gate, which starts at any phase of the signal, is wrong by a triangular ±1 (the difference of
two rectangular phases). Every model here is linear, so the first order of the GUM is exact (JCGM 101 5.7).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from hil.core.budget import Budget, linear_budget
from hil.core.drift import drift_of
from hil.core.equipment import Accuracy, JigUncertainty, MeterUncertainty, Part
from hil.core.inputs import Correlation, Input, normal, rectangular, triangular

COUNTED_C_F, COUNTED_L_H = 680e-12, 100e-6  # nominal tank of the meter, enough for the size of one count
ONE_JIG_PF = 0.0013  # relative change of an inductor's reading per pF across it, from 1 mH up


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What holds for all readings of a run.

    Args:
        today: ISO date.
        accuracies: by (role, quantity).
        short_term: by (role, quantity): what two readings of one range, taken within a minute, do not share.
        temperature_half_width_k: of the parts, from the thermometer or, where there is none, from the jig.
    """

    today: str
    accuracies: Mapping[tuple[str, str], Accuracy]
    jig: JigUncertainty
    meter: MeterUncertainty
    temperature_half_width_k: float
    short_term: Mapping[tuple[str, str], Accuracy] = field(default_factory=dict)


TERMINALS = "jig: capacitance at the terminals"
QUANTITIES = {"V": "voltage", "A": "current", "ohm": "resistance", "Hz": "frequency", "degC": "temperature"}
# Who measured, when several took part: a supply that is only set stands last.
MEASURING = ("voltmeter", "counter", "thermometer", "generator", "supply")


def error_budget(
    value: float,
    part: Part,
    unit: str,
    circumstances: Circumstances,
    *,
    repeats: Sequence[float] = (),
    temperature_degc: float | None = None,
    relative: bool = False,
    is_reference: bool = True,
) -> Budget | None:
    """Budget of the error of indication at a reference part, or of what the empty or shorted jig reads.

    Of an empty or shorted jig the residual zero is what is measured, and adds nothing to the uncertainty.

    Args:
        value: indicated value, F or H.
        repeats: single readings whose mean it is.
        temperature_degc: at the jig; None: nobody measured.
        relative: the measurand is the error over the value of the part, a ratio.
        is_reference: False when only agreement with this very part, as it is fitted, is judged: what part and jig
            are off by is in both readings.

    Returns:
        None for what is neither capacitance nor inductance.
    """
    if unit not in ("F", "H"):
        return None
    inputs, correlation = (
        _of_part(part, value, unit, circumstances, temperature_degc) if part.present and is_reference else ([], {})
    )
    references = len(inputs)
    if is_reference:
        inputs += _of_jig(value, unit, circumstances.jig, is_zero=part.present is None)
    size = 2 * (_own(unit) + max(value, 0.0))  # dX = 2·(X0 + X)·df/f
    meter = circumstances.meter
    inputs.append(triangular("meter: resolution", 0.0, one_count(max(value, 0.0), unit), unit=unit))
    inputs.append(rectangular("meter: drift since zero", 0.0, size * meter.drift_since_zero, unit=unit))
    inputs.append(_repeatability(repeats, unit, known=size * meter.noise, known_dof=meter.noise_dof))
    scale = abs(part.value) if relative else 1.0
    reading = value if is_reference else value - part.value

    off = math.fsum(entry.value for entry in inputs[references:]) - math.fsum(
        entry.value for entry in inputs[:references]
    )
    return linear_budget(
        (reading + off) / scale,
        inputs,
        [-1 / scale] * references + [1 / scale] * (len(inputs) - references),
        correlation=correlation,
        unit="" if relative else unit,
        coverage="shape",
    )


def quantity_budget(
    value: float,
    unit: str,
    roles: Sequence[str],
    circumstances: Circumstances,
    *,
    repeats: Sequence[float] = (),
    resolution: float = 0.0,
    through_leads: bool = True,
) -> Budget | None:
    """Budget of a quantity that an instrument measured; None when no instrument of stated accuracy took part.

    Args:
        roles: instruments that took part; the first of `MEASURING` among them measured.
        resolution: step of the meter's own answer where that is judged.
        through_leads: False where leads and needles themselves are the resistance that is judged.
    """
    quantity = QUANTITIES.get(unit, "")
    role = next((r for r in MEASURING if r in roles and (r, quantity) in circumstances.accuracies), None)
    if role is None:
        return None
    inputs = [_accuracy(role, circumstances.accuracies[role, quantity].half_width(value), unit)]
    if resolution:
        inputs.append(rectangular("meter: resolution", 0.0, resolution / 2, unit=unit))
    if unit == "ohm" and through_leads:
        inputs.append(rectangular("jig: leads and needles", 0.0, circumstances.jig.leads_ohm, unit=unit))
    return _about(value, [*inputs, *_spread(repeats, unit)], unit)


def difference_budget(value: float, unit: str, parts: Mapping[str, float], circumstances: Circumstances) -> Budget:
    """Budget of a difference between readings of two instruments, ``parts`` role -> reading.

    Raises:
        KeyError: an instrument without stated accuracy.
    """
    quantity = QUANTITIES[unit]
    inputs = [
        _accuracy(role, circumstances.accuracies[role, quantity].half_width(reading), unit)
        for role, reading in parts.items()
    ]
    return _about(value, inputs, unit)


def change_budget(value: float, unit: str, role: str, half_width: float) -> Budget:
    """Budget of the largest less the smallest of several readings of one instrument.

    Args:
        half_width: of what a reading does not share with the others.
    """
    return _about(
        value, [rectangular(f"{role}: {which}", 0.0, half_width, unit=unit) for which in ("largest", "smallest")], unit
    )


def ratio_budget(value: float, whole: float, circumstances: Circumstances, *, unit: str = "V") -> Budget | None:
    """Budget of a ratio of two readings of the voltmeter, the larger about ``whole``; None without its accuracy.

    Where the bench states what two readings of one range do not share (`Circumstances.short_term`), gain errors
    cancel from the ratio r and a common offset counts with 1 − r. Else both errors are taken as independent.
    """
    key = ("voltmeter", QUANTITIES[unit])
    accuracy = circumstances.accuracies.get(key)
    if accuracy is None:
        return None
    own = circumstances.short_term.get(key)
    inputs = []
    if own is not None and accuracy.absolute * abs(1 - value) > 0:
        inputs.append(rectangular("voltmeter: common offset", 0.0, accuracy.absolute * abs(1 - value) / whole))
    each = accuracy if own is None else own
    said = "accuracy" if own is None else "short-term"
    inputs.append(rectangular(f"voltmeter, part: {said}", 0.0, each.half_width(value * whole) / whole))
    inputs.append(rectangular(f"voltmeter, whole: {said}", 0.0, abs(value) * each.half_width(whole) / whole))
    return _about(value, inputs, "")


def count_budget(
    value_hz: float, circumstances: Circumstances, *, repeats: Sequence[float] = (), is_tank: bool = False
) -> Budget:
    """Budget of a frequency that the meter counted by its own timebase, Hz.

    Args:
        is_tank: the frequency of the tank with open terminals is wanted: the jig's capacitance lies across it.
    """
    meter = circumstances.meter
    inputs, less = [triangular("meter: resolution", 0.0, 1.0, unit="Hz")], []
    if value_hz > 0:
        inputs.append(rectangular("meter: timebase", 0.0, meter.timebase * value_hz, unit="Hz"))
        inputs.append(_repeatability(repeats, "Hz", known=meter.noise * value_hz, known_dof=meter.noise_dof))
        if is_tank:
            tank_f = 1 / ((2 * math.pi * value_hz) ** 2 * COUNTED_L_H)
            half_hz = value_hz * circumstances.jig.terminals_f / (2 * tank_f)
            less.append(rectangular(TERMINALS, 0.0, half_hz, unit="Hz"))  # more of it, and the frequency falls
    return _about(value_hz, inputs, "Hz", less=less)


def comparison_budget(
    value: float,
    frequency_hz: float,
    circumstances: Circumstances,
    *,
    against: str = "",
    counts: int = 1,
    repeats: Sequence[float] = (),
    noisy: bool = True,
    drifting: bool = True,
) -> Budget | None:
    """Budget of a relative difference of frequencies.

    Args:
        frequency_hz: about which.
        against: role of the instrument that is the reference; "" for the meter's own earlier count.
        counts: counts of the meter that take part.
        noisy: the oscillator is compared, rather than the timebase at a steady reference, which drifts between counts.
        drifting: the oscillator's own drift between the counts matters; False where it is what is judged.
    """
    meter = circumstances.meter
    inputs: list[Input] = []
    if against:
        accuracy = circumstances.accuracies.get((against, "frequency"))
        if accuracy is None:
            return None
        inputs.append(_accuracy(against, accuracy.relative + accuracy.absolute / frequency_hz, ""))
    for number in range(1, counts + 1):
        name = "meter: resolution" if counts == 1 else f"meter: resolution, count {number}"
        inputs.append(triangular(name, 0.0, 1 / frequency_hz))
    if noisy:
        known = meter.noise * math.sqrt(2)
        inputs.append(_repeatability(repeats, "", known=known, known_dof=meter.noise_dof))
        if drifting:
            inputs.append(rectangular("meter: drift between the gates", 0.0, meter.drift_between_gates))
    else:
        inputs.append(rectangular("meter: drift of the timebase", 0.0, meter.timebase_drift))
        inputs.extend(_spread(repeats, ""))
    return _about(value, inputs, "")


def spread_budget(value: float, number: int, unit: str = "") -> Budget | None:
    """Budget of a standard deviation found from so many readings: u(s) = s/√(2(n − 1)) (GUM E.4.3)."""
    if number < 2 or value <= 0:
        return None
    u = value / math.sqrt(2 * (number - 1))
    found = normal("standard deviation of few readings", value, u, unit=unit, dof=number - 1, kind="A")
    return linear_budget(value, [found], [1.0], unit=unit)


def one_count(value: float, unit: str) -> float:
    """What one pulse more or less in a gate of 1 s is worth, F or H.

    dX = 2·(X0 + X)/f3, from f3 = f1·√(X0/(X0 + X)).
    """
    return 2 * (_own(unit) + value) / reading_frequency_hz(value, unit)


def reading_frequency_hz(value: float, unit: str) -> float:
    """Where a nominal meter reads a part of so many F or H, Hz: f3 = f1·√(X0/(X0 + X))."""
    bare_hz = 1 / (2 * math.pi * math.sqrt(COUNTED_C_F * COUNTED_L_H))
    return bare_hz / math.sqrt(1 + max(value, 0.0) / _own(unit))


# Rows


def _own(unit: str) -> float:
    return COUNTED_C_F if unit == "F" else COUNTED_L_H


def _about(value: float, inputs: Sequence[Input], unit: str, *, less: Sequence[Input] = ()) -> Budget:
    """A value with what may be added to it, and what may be taken off."""
    off = math.fsum(entry.value for entry in inputs) - math.fsum(entry.value for entry in less)
    signs = [1.0] * len(inputs) + [-1.0] * len(less)
    return linear_budget(value + off, [*inputs, *less], signs, unit=unit, coverage="shape")


def _accuracy(role: str, half_width: float, unit: str) -> Input:
    return rectangular(f"{role}: accuracy", 0.0, half_width, unit=unit)


def _of_jig(value: float, unit: str, jig: JigUncertainty, *, is_zero: bool) -> list[Input]:
    zero, contact = (jig.zero_f, jig.contact_f) if unit == "F" else (jig.zero_h, jig.contact_h)
    inputs = [] if is_zero else [rectangular("jig: residual zero", 0.0, zero, unit=unit)]
    inputs.append(normal("jig: contact repeatability", 0.0, contact, unit=unit))
    lossy = value * jig.loss_at_1uf * (value / 1e-6) ** 2
    if unit == "F" and not is_zero and lossy > 0:
        inputs.append(rectangular("jig: series resistance", 0.0, lossy, unit="F"))
    across = ONE_JIG_PF * jig.terminals_f / 1e-12 * value * min(1.0, value / 1e-3)
    if unit == "H" and not is_zero and across > 0:
        inputs.append(rectangular("jig: capacitance across the inductor", 0.0, across, unit="H"))
    return inputs


def _of_part(
    part: Part, value: float, unit: str, circumstances: Circumstances, temperature_degc: float | None
) -> tuple[list[Input], Correlation]:
    found, correlation = drift_of(part).inputs_on(circumstances.today, unit)
    inputs = list(found)
    away_k = (temperature_degc if temperature_degc is not None else part.temperature_degc) - part.temperature_degc
    shift = part.value * part.temperature_coefficient_per_k * away_k
    half = part.value * (
        abs(part.temperature_coefficient_per_k) * circumstances.temperature_half_width_k
        + part.temperature_coefficient_tolerance_per_k * (abs(away_k) + circumstances.temperature_half_width_k)
    )
    if half > 0:
        inputs.append(rectangular("part: temperature", shift, half, unit=unit))
    if part.self_resonance_hz is not None and part.frequency_hz is not None:
        # The check corrects from where the part was certified to where it is read, by (f² − f_cert²)/f_sr².
        read_hz = reading_frequency_hz(value, unit)
        correction = part.value * abs(read_hz**2 - part.frequency_hz**2) / part.self_resonance_hz**2
        half = 2 * part.self_resonance_tolerance * correction
        if half > 0:
            inputs.append(rectangular("part: frequency", 0.0, half, unit=unit))
    return inputs, dict(correlation)


def _repeatability(repeats: Sequence[float], unit: str, *, known: float, known_dof: float) -> Input:
    """The spread known of the kind of meter over √n; what the readings show instead when that is larger."""
    seen = _spread(repeats, unit)
    u = known / math.sqrt(max(1, len(repeats)))
    if seen and seen[0].standard_uncertainty > u:
        return seen[0]
    return normal("meter: repeatability", 0.0, u, unit=unit, dof=known_dof, kind="A")


def _spread(repeats: Sequence[float], unit: str) -> list[Input]:
    if len(repeats) < 2:
        return []
    mean = math.fsum(repeats) / len(repeats)
    # Deviations from the mean: squares of raw frequencies would lose all digits.
    s = math.sqrt(math.fsum((one - mean) ** 2 for one in repeats) / (len(repeats) - 1))
    if s == 0:
        return []
    u = s / math.sqrt(len(repeats))
    return [normal("meter: repeatability", 0.0, u, unit=unit, dof=len(repeats) - 1, kind="A")]
