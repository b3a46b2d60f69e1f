"""The oscillator: a linear network in a loop with a comparator that switches a delay after its input crosses zero.

With the output a rectangle of duty D between two levels, the difference of the comparator's inputs is the sum over
harmonics of the network's transfer function H(jkω). The output rises a delay td after the input crosses its threshold
upwards and falls td after it crosses downwards. Written for both edges these are two equations for ω and D (Tsypkin's
method for relay systems, with delay and unequal half-waves):

    Σ Im(Wk)·sin²(πkD)/k = 0                                    Wk = H(jkω)·exp(−jkω·td)
    X(D) + 2·ΔV·Σ Re(Wk)·sin(2πkD)/(2πk) = 0                    X(D): difference of the averaged inputs

With one harmonic and D = ½ the first is the phase condition Q(ω/ω0 − ω0/ω) = −tan(ω·td). The sums decay slowly
because H falls like h/(jkω); that part is summed in closed form (Fourier series of Bernoulli polynomials) and only
the rest term by term.

The extra counts of a noisy comparator on a slow edge follow from Rice's formula for crossings.
"""

import cmath
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

HARMONICS = 12
FURTHEST = 6.0  # a resonance further than this factor from its first estimate is none
_K: Floats = np.arange(1.0, HARMONICS + 1)
_INVERSE_K, _J_OVER_K, _MINUS_J_K = 1 / _K, 1j / _K, -1j * _K
MOST_STEPS = 20


@dataclass(frozen=True, slots=True)
class Coils:
    """Inductors with loss, R(f) = dc + ac·(f/reference)^exponent; one entry each."""

    inductance_h: Floats
    resistance_ohm: Floats
    ac_resistance_ohm: Floats
    reference_hz: Floats
    exponent: Floats


@dataclass(frozen=True, slots=True)
class TankNetwork:
    """The passive part as a nodal matrix Σ coefficient·basis, with the coefficients 1, jω and each coil's admittance.

    ``basis`` (2 + coils, n·n) holds conductances, capacitances and one pattern a coil; ``drive`` (2, n) the
    conductances and capacitances from the comparator's output to the nodes, which are on the diagonals of the basis
    as well. ``sense`` (n,) weighs the nodes to the difference of the inputs: 1 at +, −1 at −. All are complex only
    because they meet nothing but complex numbers.
    """

    basis: Complexes
    drive: Complexes
    coils: Coils
    sense: Complexes


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparator:
    """The nonlinear part. ``balance_low_v`` and ``balance_high_v``: difference of the averaged inputs with the output
    resting low and high; it lies between them in proportion to the duty."""

    delay_s: float
    swing_v: float
    balance_low_v: float
    balance_high_v: float
    noise_v: float
    noise_bandwidth_hz: float
    headroom_v: float  # amplitude at which the + input leaves the common-mode range


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSolution:
    """What the loop does; frequency 0 when it does not oscillate."""

    frequency_hz: float = 0.0
    amplitude_v: float = 0.0
    duty: float
    sigma_hz: float = 0.0
    extra_edges: float = 0.0
    loaded_q: float = 0.0


class Harmonics:
    """H(jkω) of a network from output to the difference of the inputs, for some k of which the first is 1."""

    def __init__(self, network: TankNetwork, k: Floats = _K) -> None:
        coils, size = network.coils, len(network.sense)
        self._network, self._size = network, size
        self._resistance_ohm, self._exponent = coils.resistance_ohm, coils.exponent
        self._loss = coils.ac_resistance_ohm * (k[:, None] / (2 * math.pi * coils.reference_hz)) ** coils.exponent
        self._inductive = 1j * k[:, None] * coils.inductance_h
        self._capacitive = 1j * k
        self._coefficients = np.ones((len(k), len(network.basis)), dtype=complex)
        self._slopes = np.zeros(len(network.basis), dtype=complex)  # of the first coefficients
        self._slopes[1] = 1j
        self._right = np.empty((len(k), size, 2), dtype=complex)
        self._right[:, :, 1] = network.sense

    def at(self, omega: float) -> tuple[Complexes, complex, complex]:
        """H at every kω; dH/dω and the impedance between the inputs at ω."""
        network, coefficients = self._network, self._coefficients
        loss = self._loss * omega**self._exponent
        coefficients[:, 1] = omega * self._capacitive
        coefficients[:, 2:] = 1 / (self._resistance_ohm + loss + omega * self._inductive)
        self._right[:, :, 0] = coefficients[:, :2] @ network.drive
        matrices = (coefficients @ network.basis).reshape(-1, self._size, self._size)
        solved = np.linalg.solve(matrices, self._right)
        # The matrix is symmetric: the inverse's weighted rows are the response to currents at the inputs.
        response, row = solved[0, :, 0], solved[0, :, 1]
        slopes = self._slopes
        slopes[2:] = -(loss[0] * self._exponent / omega + self._inductive[0]) * coefficients[0, 2:] ** 2
        change = (slopes @ network.basis).reshape(self._size, self._size) @ response
        slope = complex(row @ (slopes[:2] @ network.drive - change))
        return solved[:, :, 0] @ network.sense, slope, complex(row @ network.sense)


def _cosine_sum(x: float) -> float:
    """Σ cos(kx)/k² over k ≥ 1 = π²/6 − πx/2 + x²/4 for 0 ≤ x ≤ 2π."""
    x %= 2 * math.pi
    return math.pi**2 / 6 - math.pi * x / 2 + x * x / 4


def solve(network: TankNetwork, comparator: Comparator, start_omega: float) -> TankSolution:
    """The limit cycle near the resonance next to ``start_omega``."""
    low_v, high_v = comparator.balance_low_v, comparator.balance_high_v
    astable = low_v > 0 > high_v
    middle = low_v / (low_v - high_v) if astable else 0.5
    resting = middle if astable else 1.0 if high_v > 0 else 0.0
    try:
        with np.errstate(all="ignore"):
            cycle = _limit_cycle(network, comparator, start_omega, middle)
            if cycle is not None and cycle.amplitude_v > comparator.headroom_v:
                network = _clamped(network, cycle, comparator.headroom_v)
                cycle = _limit_cycle(network, comparator, cycle.omega, middle)
    except ZeroDivisionError:  # nothing drives the loop, or nothing of it arrives
        cycle = None
    if cycle is None:
        return TankSolution(duty=resting)
    omega, amplitude = cycle.omega, cycle.amplitude_v
    alive = astable and amplitude > 2 * comparator.noise_v and 0.002 < cycle.duty < 0.998
    # A half period shorter than the delay does not come out of the comparator (inertial delay).
    if not alive or omega * comparator.delay_s >= math.pi:
        return TankSolution(duty=resting, loaded_q=cycle.loaded_q)
    sigma_hz, extra_edges = _noise(comparator, cycle)
    return TankSolution(
        frequency_hz=omega / (2 * math.pi),
        amplitude_v=amplitude,
        duty=cycle.duty,
        sigma_hz=sigma_hz,
        extra_edges=extra_edges,
        loaded_q=cycle.loaded_q,
    )


@dataclass(frozen=True, slots=True)
class _Cycle:
    omega: float
    duty: float
    amplitude_v: float  # of the fundamental
    loaded_q: float


def _limit_cycle(network: TankNetwork, comparator: Comparator, omega: float, duty: float) -> _Cycle | None:
    """Newton's method for both equations; the harmonics' own dependence on ω is left to the next step.

    None when it does not settle.

    Raises:
        ZeroDivisionError: no output that swings, or no way from it to the inputs.
    """
    delay_s, swing_v = comparator.delay_s, comparator.swing_v
    gap = comparator.balance_low_v - comparator.balance_high_v
    duty = min(max(duty, 0.02), 0.98)
    least, most = omega / FURTHEST, omega * FURTHEST
    harmonics = Harmonics(network)
    for _ in range(MOST_STEPS):
        h, dh, _z = harmonics.at(omega)
        fundamental = complex(h[0])
        tail = -HARMONICS * float(h[-1].imag)  # H -> tail/(jk)
        lag, turn = omega * delay_s, 2 * math.pi * duty
        rest = (h + tail * _J_OVER_K) * np.exp(lag * _MINUS_J_K)
        fading, turns = rest * _INVERSE_K, turn * _K
        cosine, sine = np.cos(turns), np.sin(turns)
        ahead, behind = _cosine_sum(lag + turn), _cosine_sum(lag - turn)
        edge = float(fading.imag @ (1 - cosine)) / 2 - tail * (_cosine_sum(lag) / 2 - (ahead + behind) / 4)
        level = (float(fading.real @ sine) + tail * (ahead - behind) / 2) / math.pi
        # The first equation with its fundamental as 1/H, which is nearly linear in ω: Im(y) = others·|y|²/sin²(πD).
        wave = fundamental * cmath.exp(-1j * lag)
        y = 1 / wave
        dy = -y * (dh / fundamental - 1j * delay_s)
        conjugate = y.conjugate()
        share = edge / math.sin(turn / 2) ** 2 - wave.imag
        miss = y.imag - share * (y * conjugate).real
        step_omega = -miss / (dy.imag - 2 * share * (conjugate * dy).real)
        step_omega = min(max(step_omega, -omega / 3), omega / 3)
        wave_slope = (-dy * wave * wave).real * math.sin(turn) / math.pi
        missing = (comparator.balance_low_v - gap * duty) / swing_v + level + wave_slope * step_omega
        by_duty = 2 * float(rest.real @ cosine) - gap / swing_v
        step_duty = min(max(-missing / by_duty, -0.1), 0.1)
        omega += step_omega
        duty = min(max(duty + step_duty, 1e-3), 1 - 1e-3)
        if not least < omega < most:
            return None
        # Each step is some hundred times shorter than the one before: 0.2 ppm are left after this one.
        if abs(step_omega) < 5e-5 * omega and abs(step_duty) < 1e-4:
            amplitude_v = 2 / math.pi * swing_v * abs(fundamental) * math.sin(math.pi * duty)
            return _Cycle(omega, duty, amplitude_v, omega / 2 * abs((dh / fundamental).imag)) if y.real > 0 else None
    return None


def _clamped(network: TankNetwork, cycle: _Cycle, most_v: float) -> TankNetwork:
    """The + input draws current beyond its range: as much conductance as keeps the amplitude at the edge."""
    _h, _dh, impedance = Harmonics(network, _K[:1]).at(cycle.omega)
    parallel_ohm = 1 / (1 / impedance).real
    extra_s = (cycle.amplitude_v / max(most_v, 1e-3) - 1) / parallel_ohm
    basis = network.basis.copy()
    basis[0] += extra_s * np.diag(np.maximum(network.sense.real, 0.0)).reshape(-1)
    return TankNetwork(basis, network.drive, network.coils, network.sense)


def _noise(comparator: Comparator, cycle: _Cycle) -> tuple[float, float]:
    """Standard deviation of the mean frequency over 1 s, and extra counts per period (Rice's formula)."""
    if not comparator.noise_v:
        return 0.0, 0.0
    omega, slope = cycle.omega, cycle.omega * cycle.amplitude_v
    jitter_s = comparator.noise_v / slope
    # Each edge shifts the phase of the tank by its jitter times the share of energy renewed per half period.
    phase = jitter_s * omega * min(math.pi / (2 * max(cycle.loaded_q, 1e-3)), 1.0)
    cycles = omega / (2 * math.pi)
    sigma_hz = phase * math.sqrt(2 * cycles) / (2 * math.pi) + jitter_s * math.sqrt(2) * cycles / 1.0
    ratio = slope / (2 * math.pi * comparator.noise_bandwidth_hz * comparator.noise_v)
    density = math.exp(-(ratio**2) / 2) / math.sqrt(2 * math.pi)
    # Mean up-crossings of a ramp with Gaussian noise less one: φ(r)/r − Φ(−r).
    return sigma_hz, max(density / ratio - math.erfc(ratio / math.sqrt(2)) / 2, 0.0)
