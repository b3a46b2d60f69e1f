"""Equations of the devices: one current as a function of voltages, with its derivatives.

Junctions follow the ideal diode law and the transport model of bipolar transistors, the MOSFET the square law of
Shichman and Hodges (1968); all without series resistances, which the board's resistors dwarf. Regulators and bench
supplies are limits on a current: the smallest of what regulation asks for, what the headroom allows and the limit,
joined by `lesser` and `greater`. Each is written as a voltage that must be zero, so that a steep characteristic is not
steep for Newton's method.
"""

import math

from hil.circuit.dc import ZERO_DEGC, Dual, ImplicitLaw, Law, thermal_voltage_v

SCALE_OHM = 10.0  # turns a distance from a current limit into a voltage; any value of this order serves
BAND_GAP_V = 1.11
NOMINAL_DEGC = 23.0


def saturation_a(nominal_a: float, emission: float, temperature_degc: float) -> float:
    """Saturation current at a temperature: Is·(T/T0)^(3/n)·exp((T/T0 − 1)·Eg/(n·Vt)), the usual law."""
    ratio = (temperature_degc + ZERO_DEGC) / (NOMINAL_DEGC + ZERO_DEGC)
    exponent = (ratio - 1) * BAND_GAP_V / (emission * thermal_voltage_v(temperature_degc))
    return float(nominal_a * ratio ** (3 / emission) * math.exp(exponent))


def lesser(a: Dual, b: Dual) -> Dual:
    """The smaller one, with its derivatives."""
    return a if a[0] <= b[0] else b


def greater(a: Dual, b: Dual) -> Dual:
    """The larger one, with its derivatives."""
    return a if a[0] >= b[0] else b


def limited_source(volt: float, limit_a: float, ohm: float) -> ImplicitLaw:
    """A supply with current limit, i = min((V − u1)/R, limit); u1 is its terminal voltage.

    Negative ``volt``: the leads are crossed, and so are the signs.
    """
    sign = -1.0 if volt < 0 else 1.0
    size, most = abs(volt), min(limit_a, 1e3)

    def law(i: float, u1: float, _u2: float) -> Dual:
        constant_voltage = (size - sign * (u1 + i * ohm), -sign * ohm, -sign, 0.0)
        constant_current = (SCALE_OHM * (most - sign * i), -sign * SCALE_OHM, 0.0, 0.0)
        return lesser(constant_voltage, constant_current)

    return law


def low_dropout(volt: float, limit_a: float, dropout_ohm: float, gain_s: float) -> ImplicitLaw:
    """Fixed regulator: i = min(max(0, gain·(V − u1)), limit, u2/R).

    u1 is output against ground pin, u2 input against output. With the input below the output current flows back, as
    through the body diode of its transistor.
    """

    def law(i: float, u1: float, u2: float) -> Dual:
        regulated = (volt - u1 - i / gain_s, -1 / gain_s, -1.0, 0.0)
        nothing = (-SCALE_OHM * i, -SCALE_OHM, 0.0, 0.0)
        limited = (SCALE_OHM * (limit_a - i), -SCALE_OHM, 0.0, 0.0)
        dropped = (u2 - i * dropout_ohm, -dropout_ohm, 0.0, 1.0)
        return lesser(lesser(greater(regulated, nothing), limited), dropped)

    return law


def emitter_follower(volt: float, limit_a: float, dropout_v: float, dropout_ohm: float, gain_s: float) -> ImplicitLaw:
    """Adjustable regulator: i = max(0, min(gain·(V − u1), limit, (u2 − dropout)/R)).

    u1 is output against adjust pin, u2 input against output. It blocks backwards.
    """

    def law(i: float, u1: float, u2: float) -> Dual:
        regulated = (volt - u1 - i / gain_s, -1 / gain_s, -1.0, 0.0)
        limited = (SCALE_OHM * (limit_a - i), -SCALE_OHM, 0.0, 0.0)
        dropped = (u2 - dropout_v - i * dropout_ohm, -dropout_ohm, 0.0, 1.0)
        nothing = (-SCALE_OHM * i, -SCALE_OHM, 0.0, 0.0)
        return greater(lesser(lesser(regulated, limited), dropped), nothing)

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
