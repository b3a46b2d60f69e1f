"""Equations of the devices: one current as a function of voltages, with its derivatives.

Junctions follow the ideal diode law and the transport model of bipolar transistors, the MOSFET the square law of
Shichman and Hodges (1968); all without series resistances, which the board's resistors dwarf. Regulators and bench
supplies are limits on a current: the smallest of what regulation asks for, what the headroom allows and the limit,
joined by `lesser`, whose rounded corner lets Newton's method pass.
"""

import math

from hil.circuit.dc import ZERO_DEGC, Law, thermal_voltage_v

CORNER_A = 2e-5  # width of the rounded corners of regulators and supplies
BAND_GAP_V = 1.11
NOMINAL_DEGC = 23.0


def saturation_a(nominal_a: float, emission: float, temperature_degc: float) -> float:
    """Saturation current at a temperature: Is·(T/T0)^(3/n)·exp((T/T0 − 1)·Eg/(n·Vt)), the usual law."""
    ratio = (temperature_degc + ZERO_DEGC) / (NOMINAL_DEGC + ZERO_DEGC)
    exponent = (ratio - 1) * BAND_GAP_V / (emission * thermal_voltage_v(temperature_degc))
    return nominal_a * ratio ** (3 / emission) * math.exp(exponent)


def lesser(a: float, b: float, corner: float = CORNER_A) -> tuple[float, float]:
    """Smooth minimum and its derivative with respect to ``a`` (with respect to ``b`` it is the rest to 1)."""
    root = math.sqrt((a - b) ** 2 + corner**2)
    return (a + b - root) / 2, (1 - (a - b) / root) / 2


def positive(a: float, corner: float = CORNER_A) -> tuple[float, float]:
    """Smooth maximum of ``a`` and 0, and its derivative."""
    root = math.sqrt(a * a + corner**2)
    # For a far below zero the sum cancels; this form keeps it exact.
    value = (a + root) / 2 if a > 0 else corner**2 / (2 * (root - a))
    return value, value / root


def limited_source(volt: float, limit_a: float, ohm: float) -> Law:
    """A supply of one polarity with current limit; u1 is its terminal voltage, the current what it delivers.

    It cannot sink. Negative ``volt``: the leads are crossed.
    """
    sign = -1.0 if volt < 0 else 1.0
    size = abs(volt)

    def law(u1: float, _u2: float) -> tuple[float, float, float]:
        wanted, slope = positive((size - sign * u1) / ohm, 1e-7)
        current, share = lesser(wanted, limit_a, 1e-7) if math.isfinite(limit_a) else (wanted, 1.0)
        return sign * current, -share * slope / ohm, 0.0

    return law


def low_dropout(volt: float, limit_a: float, dropout_ohm: float, gain_s: float) -> Law:
    """Fixed regulator: u1 is output against ground pin, u2 input against output; the current flows to the output."""

    def law(u1: float, u2: float) -> tuple[float, float, float]:
        asked, asked_slope = positive(gain_s * (volt - u1))
        allowed, share = lesser(asked, limit_a)
        current, regulated = lesser(allowed, u2 / dropout_ohm)
        return current, -regulated * share * asked_slope * gain_s, (1 - regulated) / dropout_ohm

    return law


def emitter_follower(volt: float, limit_a: float, dropout_v: float, dropout_ohm: float, gain_s: float) -> Law:
    """Adjustable regulator: u1 is output against adjust pin, u2 input against output; blocks backwards."""

    def law(u1: float, u2: float) -> tuple[float, float, float]:
        asked, asked_slope = positive(gain_s * (volt - u1))
        allowed, share = lesser(asked, limit_a)
        headroom, headroom_slope = positive((u2 - dropout_v) / dropout_ohm)
        current, regulated = lesser(allowed, headroom)
        return (
            current,
            -regulated * share * asked_slope * gain_s,
            (1 - regulated) * headroom_slope / dropout_ohm,
        )

    return law


def adjust_current(ampere: float) -> Law:
    """Adjust-pin current: u1 is input against adjust pin; constant above some tenths of a volt."""

    def law(u1: float, _u2: float) -> tuple[float, float, float]:
        root = math.sqrt(u1 * u1 + 0.01)
        return ampere * u1 / root, ampere * 0.01 / root**3, 0.0

    return law


def p_channel(threshold_v: float, transconductance: float) -> Law:
    """P-channel MOSFET, square law: u1 is gate against source, u2 drain against source; current drain to source."""

    def forward(gate: float, drain: float) -> tuple[float, float, float]:
        """N-channel equations for drain ≥ 0."""
        over = gate + threshold_v
        if over <= 0:
            return 0.0, 0.0, 0.0
        if drain >= over:
            return transconductance / 2 * over * over, transconductance * over, 0.0
        return (
            transconductance * drain * (over - drain / 2),
            transconductance * drain,
            transconductance * (over - drain),
        )

    def law(u1: float, u2: float) -> tuple[float, float, float]:
        gate, drain = -u1, -u2  # mirrored
        if drain >= 0:
            current, by_gate, by_drain = forward(gate, drain)
            return -current, by_gate, by_drain
        # Drain and source change places: the gate is then referred to the drain.
        current, by_gate, by_drain = forward(gate - drain, -drain)
        return current, -by_gate, by_gate + by_drain

    return law
