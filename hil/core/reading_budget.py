"""The budget of one judged reading, as named rows.

    at a reference part    the measurand is the error of indication, reading less reference: certificate, drift,
                           temperature and frequency of the part; zero, contacts and stray capacitance of the jig;
                           resolution, repeatability and drift since zero of the meter
    by an instrument       the quantity itself: accuracy of the instrument, repeatability
    a count of the meter   timebase, resolution and noise of its frequency

One count of the meter's gate, which starts at any phase of the signal, is wrong by a triangular ±1 (the difference of
two rectangular phases). Every model here is linear, so the first order of the GUM is exact (JCGM 101 5.7).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hil.core.budget import Budget, budget
from hil.core.drift import drift_of
from hil.core.equipment import Accuracy, Part
from hil.core.inputs import Correlation, Input, normal, rectangular, triangular

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
class MeterUncertainty:
    """What the kind of meter adds; frequencies relative. From the first lots; `hil lot` shows whether it still holds.

    Args:
        noise: standard deviation of one gate's frequency beside its whole counts, with its degrees of freedom.
        drift_since_zero: half-width of what the tank's frequency moves between zero and reading.
        timebase: half-width after trim.
        battery_step_v: one step of the converter, at the pack.
    """

    noise: float = 2e-6
    noise_dof: float = 50.0
    drift_since_zero: float = 5e-6
    timebase: float = 20e-6
    battery_step_v: float = 5.0 / 1024 / 0.4


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
    meter: MeterUncertainty = MeterUncertainty()
    temperature_half_width_k: float = 2.0


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
    """Budget of the error of indication at a reference part, or of the residual zero of the empty or shorted jig.

    Args:
        value: indicated value, F or H.
        repeats: single readings whose mean it is.
        temperature_degc: at the jig; None: nobody measured.
        relative: the measurand is the error over the value of the part, a ratio.
        is_reference: False when only agreement with this very part is judged, so that its own error does not matter.

    Returns:
        None for what is neither capacitance nor inductance.
    """
    if unit not in ("F", "H"):
        return None
    inputs, correlation = (
        _of_part(part, unit, circumstances, temperature_degc) if part.present and is_reference else ([], {})
    )
    references = len(inputs)
    jig = circumstances.jig
    if unit == "F":
        inputs.append(rectangular("jig: residual zero", 0.0, jig.zero_f, unit="F"))
        inputs.append(normal("jig: contact repeatability", 0.0, jig.contact_f, unit="F"))
    else:
        inputs.append(rectangular("jig: residual zero", 0.0, jig.zero_h, unit="H"))
        inputs.append(normal("jig: contact repeatability", 0.0, jig.contact_h, unit="H"))
        across = ONE_JIG_PF * jig.across_inductor_f / 1e-12 * value * min(1.0, value / 1e-3)
        if across > 0:
            inputs.append(rectangular("jig: capacitance across the inductor", 0.0, across, unit="H"))
    size = 2 * (_own(unit) + max(value, 0.0))  # dX = 2·(X0 + X)·df/f
    meter = circumstances.meter
    inputs.append(triangular("meter: resolution", 0.0, one_count(max(value, 0.0), unit), unit=unit))
    inputs.append(rectangular("meter: drift since zero", 0.0, size * meter.drift_since_zero, unit=unit))
    inputs.append(_repeatability(repeats, unit, known=size * meter.noise, known_dof=meter.noise_dof))
    scale = abs(part.value) if relative else 1.0

    def error(*terms: object) -> object:
        return (value + _sum(terms[references:]) - _sum(terms[:references])) / scale  # type: ignore[operator]

    return budget(error, inputs, correlation=correlation, unit="" if relative else unit, coverage="shape")


def quantity_budget(
    value: float,
    unit: str,
    roles: Sequence[str],
    circumstances: Circumstances,
    *,
    repeats: Sequence[float] = (),
    resolution: float = 0.0,
) -> Budget | None:
    """Budget of a quantity that an instrument measured; None when no instrument of stated accuracy took part.

    Args:
        roles: instruments that took part; the first of `MEASURING` among them measured.
        resolution: step of the meter's own answer where that is judged.
    """
    quantity = QUANTITIES.get(unit, "")
    role = next((r for r in MEASURING if r in roles and (r, quantity) in circumstances.accuracies), None)
    if role is None:
        return None
    inputs = [_accuracy(role, circumstances.accuracies[role, quantity].half_width(value), unit)]
    if resolution:
        inputs.append(rectangular("meter: resolution", 0.0, resolution / 2, unit=unit))
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


def ratio_budget(value: float, whole: float, circumstances: Circumstances, *, unit: str = "V") -> Budget | None:
    """Budget of a ratio of two readings of the voltmeter, the larger about ``whole``; None without its accuracy.

    The two errors are taken as independent: within a range much of them is common and would cancel, which nobody
    has certified.
    """
    accuracy = circumstances.accuracies.get(("voltmeter", QUANTITIES[unit]))
    if accuracy is None:
        return None
    inputs = [
        _accuracy("voltmeter, part", accuracy.half_width(value * whole) / whole, ""),
        _accuracy("voltmeter, whole", abs(value) * accuracy.half_width(whole) / whole, ""),
    ]
    return _about(value, inputs, "")


def count_budget(value_hz: float, circumstances: Circumstances, *, repeats: Sequence[float] = ()) -> Budget:
    """Budget of a frequency that the meter counted by its own timebase, Hz."""
    meter = circumstances.meter
    inputs = [triangular("meter: resolution", 0.0, 1.0, unit="Hz")]
    if value_hz > 0:
        inputs.append(rectangular("meter: timebase", 0.0, meter.timebase * value_hz, unit="Hz"))
        inputs.append(_repeatability(repeats, "Hz", known=meter.noise * value_hz, known_dof=meter.noise_dof))
    return _about(value_hz, inputs, "Hz")


def comparison_budget(
    value: float,
    frequency_hz: float,
    circumstances: Circumstances,
    *,
    against: str = "",
    counts: int = 1,
    repeats: Sequence[float] = (),
    noisy: bool = True,
) -> Budget | None:
    """Budget of a relative difference of frequencies.

    Args:
        frequency_hz: about which.
        against: role of the instrument that is the reference; "" for the meter's own earlier count.
        counts: counts of the meter that take part.
        noisy: the oscillator is compared, rather than the timebase at a steady reference.
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
    else:
        inputs.extend(_spread(repeats, ""))
    return _about(value, inputs, "")


def spread_budget(value: float, number: int, unit: str = "") -> Budget | None:
    """Budget of a standard deviation found from so many readings: u(s) = s/√(2(n − 1)) (GUM E.4.3)."""
    if number < 2 or value <= 0:
        return None
    u = value / math.sqrt(2 * (number - 1))
    found = normal("standard deviation of few readings", value, u, unit=unit, dof=number - 1, kind="A")
    return budget(_plain, [found], unit=unit)


def one_count(value: float, unit: str) -> float:
    """What one pulse more or less in a gate of 1 s is worth, F or H.

    dX = 2·(X0 + X)/f3, from f3 = f1·√(X0/(X0 + X)).
    """
    own = _own(unit)
    f1 = 1 / (2 * math.pi * math.sqrt(COUNTED_C_F * COUNTED_L_H))
    return 2 * (own + value) / (f1 * math.sqrt(own / (own + value)))


# Rows


def _own(unit: str) -> float:
    return COUNTED_C_F if unit == "F" else COUNTED_L_H


def _sum(terms: Sequence[object]) -> object:
    total: object = 0.0
    for term in terms:
        total = total + term  # type: ignore[operator]
    return total


def _plain(term: object) -> object:
    return term


def _about(value: float, inputs: Sequence[Input], unit: str) -> Budget:
    return budget(lambda *terms: value + _sum(terms), inputs, unit=unit, coverage="shape")  # type: ignore[operator]


def _accuracy(role: str, half_width: float, unit: str) -> Input:
    return rectangular(f"{role}: accuracy", 0.0, half_width, unit=unit)


def _of_part(
    part: Part, unit: str, circumstances: Circumstances, temperature_degc: float | None
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
        # The apparent value is corrected to the frequency of the reading; a tenth of the correction stays in doubt.
        half = 0.1 * part.value * (part.frequency_hz / part.self_resonance_hz) ** 2
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
