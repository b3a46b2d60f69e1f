"""The oscillator: a linear network in a loop with a comparator that switches a delay after its input crosses zero.

With the output a rectangle of duty D between two levels, the difference of the comparator's inputs is the sum over
harmonics of the network's transfer function H(jkω). The output rises a delay td after the input crosses its threshold
upwards and falls td after it crosses downwards. Written for both edges these are two equations for ω and D (Tsypkin's
method for relay systems,
with delay and unequal half-waves):

    Σ Im(Wk)·sin²(πkD)/k = 0                                    Wk = H(jkω)·exp(−jkω·td)
    X(D) + 2·ΔV·Σ Re(Wk)·sin(2πkD)/(2πk) = 0                    X(D): difference of the averaged inputs

With one harmonic and D = ½ the first is the phase condition Q(ω/ω0 − ω0/ω) = −tan(ω·td). The sums decay slowly
because H falls like h/(jkω); that part is summed in closed form (Fourier series of Bernoulli polynomials) and only
the rest term by term.

All functions take arrays with any leading dimensions (one tank per entry), so that a whole population is solved at
once. The extra counts of a noisy comparator on a slow edge follow from Rice's formula for crossings.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Booleans = npt.NDArray[np.bool_]

HARMONICS = 12
FURTHEST = 6.0  # a resonance further than this factor from its first estimate is none
_K = np.arange(1, HARMONICS + 1)
_INVERSE_K, _J_OVER_K = 1 / _K, 1j / _K
MOST_STEPS = 20
_erfc = np.vectorize(math.erfc, otypes=[float])


@dataclass(frozen=True, slots=True)
class Coils:
    """Inductors with loss, R(f) = dc + ac·(f/reference)^exponent; the last dimension counts them."""

    inductance_h: Floats
    resistance_ohm: Floats
    ac_resistance_ohm: Floats
    reference_hz: Floats
    exponent: Floats


@dataclass(frozen=True, slots=True)
class TankNetwork:
    """The passive part as a nodal matrix Σ coefficient·basis, with the coefficients 1, jω and each coil's admittance.

    ``basis`` (..., 2 + coils, n·n) holds conductances, capacitances and one pattern a coil; ``drive`` (..., 2, n) the
    conductances and capacitances from the comparator's output to the nodes, which are on the diagonals of the basis
    as well. ``sense`` (n,) weighs the nodes to the difference of the inputs: 1 at +, −1 at −. Leading dimensions free.
    """

    basis: Floats
    drive: Floats
    coils: Coils
    sense: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparator:
    """The nonlinear part. ``balance_low_v`` and ``balance_high_v``: difference of the averaged inputs with the output
    resting low and high; it lies between them in proportion to the duty."""

    delay_s: Floats
    swing_v: Floats
    balance_low_v: Floats
    balance_high_v: Floats
    noise_v: Floats
    noise_bandwidth_hz: float
    headroom_v: Floats  # amplitude at which the + input leaves the common-mode range


@dataclass(frozen=True, slots=True)
class TankSolution:
    """Arrays over the leading dimensions; frequency 0 where nothing oscillates."""

    frequency_hz: Floats
    amplitude_v: Floats
    duty: Floats
    sigma_hz: Floats
    extra_edges: Floats
    loaded_q: Floats


def transfer(network: TankNetwork, omega: Floats) -> tuple[Complexes, Complexes, Complexes]:
    """H(jω) from output to the difference of the inputs, its derivative by ω, and the impedance between them.

    ``omega`` has the leading dimensions of the network and one more, the last, for frequencies.
    """
    coils, size = network.coils, len(network.sense)
    w = omega[..., None]
    ac = coils.ac_resistance_ohm[..., None, :] * (w / (2 * np.pi * coils.reference_hz)) ** coils.exponent
    inductive = 1j * coils.inductance_h[..., None, :]
    admittance = 1 / (coils.resistance_ohm[..., None, :] + ac + w * inductive)
    coefficients = np.empty((*admittance.shape[:-1], 2, admittance.shape[-1] + 2), dtype=complex)
    coefficients[..., 0, 0] = 1.0
    coefficients[..., 0, 1] = 1j * omega
    coefficients[..., 0, 2:] = admittance
    coefficients[..., 1, 0] = 0.0
    coefficients[..., 1, 1] = 1j
    coefficients[..., 1, 2:] = -(ac * (coils.exponent / w) + inductive) * admittance * admittance
    both = (coefficients @ network.basis[..., None, :, :]).reshape(*coefficients.shape[:-1], size, size)
    drives = coefficients[..., :2] @ network.drive[..., None, :, :]
    right = np.empty((*drives.shape[:-2], size, 2), dtype=complex)
    right[..., 0] = drives[..., 0, :]
    right[..., 1] = network.sense
    solved = np.linalg.solve(both[..., 0, :, :], right)
    # The matrix is symmetric: the inverse's weighted rows are the response to currents at the inputs.
    response, row = solved[..., 0], solved[..., 1]
    derivative = (row * (drives[..., 1, :] - (both[..., 1, :, :] @ solved[..., :1])[..., 0])).sum(-1)
    # (real weights on a complex vector; the stubs of numpy think the product real)
    return response @ network.sense, derivative, row @ network.sense  # type: ignore[return-value]


def _cosine_sum(x: Floats) -> Floats:
    """Σ cos(kx)/k² over k ≥ 1 = π²/6 − πx/2 + x²/4 for 0 ≤ x ≤ 2π."""
    x = np.mod(x, 2 * np.pi)
    return np.pi**2 / 6 - np.pi * x / 2 + x * x / 4


def solve(network: TankNetwork, comparator: Comparator, start_omega: Floats) -> TankSolution:
    """The limit cycle near the resonance next to ``start_omega``."""
    with np.errstate(all="ignore"):
        return _solve(network, comparator, np.asarray(start_omega, dtype=float))


def _solve(network: TankNetwork, comparator: Comparator, start_omega: Floats) -> TankSolution:
    astable = (comparator.balance_low_v > 0) & (comparator.balance_high_v < 0)
    gap = comparator.balance_low_v - comparator.balance_high_v
    middle = np.where(astable, comparator.balance_low_v / np.where(gap == 0, np.inf, gap), 0.5)
    cycle = _limit_cycle(network, comparator, start_omega, middle)
    if bool((cycle.settled & (cycle.amplitude_v > comparator.headroom_v)).any()):
        network = _clamped(network, cycle, comparator.headroom_v)
        cycle = _limit_cycle(network, comparator, cycle.omega, middle)
    omega, duty, amplitude = cycle.omega, cycle.duty, cycle.amplitude_v
    alive = cycle.settled & astable & (amplitude > 2 * comparator.noise_v) & (duty > 0.002) & (duty < 0.998)
    # A half period shorter than the delay does not come out of the comparator (inertial delay).
    alive = alive & (omega * comparator.delay_s < np.pi)
    sigma, extra = _noise(comparator, omega, amplitude, cycle.loaded_q)
    resting = np.where(astable, middle, np.where(comparator.balance_high_v > 0, 1.0, 0.0))
    return TankSolution(
        frequency_hz=np.where(alive, omega / (2 * np.pi), 0.0),
        amplitude_v=np.where(alive, amplitude, 0.0),
        duty=np.where(alive, duty, resting),
        sigma_hz=np.where(alive, sigma, 0.0),
        extra_edges=np.where(alive, extra, 0.0),
        loaded_q=np.where(cycle.settled, cycle.loaded_q, 0.0),
    )


@dataclass(frozen=True, slots=True)
class _Cycle:
    omega: Floats
    duty: Floats
    amplitude_v: Floats  # of the fundamental
    loaded_q: Floats
    settled: npt.NDArray[np.bool_]


def _limit_cycle(network: TankNetwork, comparator: Comparator, omega: Floats, duty: Floats) -> _Cycle:
    """Newton's method for both equations; the harmonics' own dependence on ω is left to the next step."""
    delay_s, swing_v = comparator.delay_s, comparator.swing_v
    gap = comparator.balance_low_v - comparator.balance_high_v
    duty = np.minimum(np.maximum(duty, 0.02), 0.98)
    least, most = omega / FURTHEST, omega * FURTHEST
    for _ in range(MOST_STEPS):
        h, dh, _z = transfer(network, omega[..., None] * _K)
        fundamental = h[..., 0]
        tail = -HARMONICS * h[..., -1].imag  # H -> tail/(jk)
        lag = omega * delay_s
        delay = np.exp(-1j * lag[..., None] * _K)
        rest = (h + tail[..., None] * _J_OVER_K) * delay
        turn = (2 * np.pi * duty)[..., None] * _K
        sine2, double = (1 - np.cos(turn)) / 2, np.sin(turn)
        ahead, behind = _cosine_sum(lag + 2 * np.pi * duty), _cosine_sum(lag - 2 * np.pi * duty)
        edge = (rest.imag * sine2) @ _INVERSE_K - tail * (_cosine_sum(lag) / 2 - (ahead + behind) / 4)
        level = ((rest.real * double) @ _INVERSE_K + tail * (ahead - behind) / 2) / np.pi
        # The first equation with its fundamental as 1/H, which is nearly linear in ω: Im(y) = others·|y|²/sin²(πD).
        wave, first = fundamental * delay[..., 0], sine2[..., 0]
        y = 1 / wave
        dy = -y * (dh[..., 0] / fundamental - 1j * delay_s)
        share = edge / first - wave.imag
        conjugate = y.conj()
        miss = y.imag - share * (y * conjugate).real
        step_omega = -miss / (dy.imag - 2 * share * (conjugate * dy).real)
        step_omega = np.minimum(np.maximum(step_omega, -omega / 3), omega / 3)
        wave_slope = (-dy * wave * wave).real * double[..., 0] / np.pi
        missing = (comparator.balance_low_v - gap * duty) / swing_v + level + wave_slope * step_omega
        by_duty = 2 * (rest.real * (1 - 2 * sine2)).sum(-1) - gap / swing_v
        step_duty = np.minimum(np.maximum(-missing / by_duty, -0.1), 0.1)
        omega = omega + step_omega
        duty = np.minimum(np.maximum(duty + step_duty, 1e-3), 1 - 1e-3)
        # Each step is some hundred times shorter than the one before: 0.2 ppm are left after this one.
        done = (np.abs(step_omega) < 5e-5 * omega) & (np.abs(step_duty) < 1e-4)
        if bool((done | (omega > most) | (omega < least)).all()):
            break
    amplitude = 2 / np.pi * swing_v * np.abs(fundamental) * np.sin(np.pi * duty)
    quality = omega / 2 * np.abs((dh[..., 0] / fundamental).imag)
    settled = done & (y.real > 0) & (omega > least) & (omega < most)
    return _Cycle(omega, duty, amplitude, quality, settled)


def _clamped(network: TankNetwork, cycle: _Cycle, most_v: Floats) -> TankNetwork:
    """The + input draws current beyond its range: as much conductance as keeps the amplitude at the edge."""
    _h, _dh, impedance = transfer(network, cycle.omega[..., None])
    parallel = 1 / (1 / impedance[..., 0]).real
    excess = cycle.amplitude_v / np.maximum(most_v, 1e-3) - 1
    extra = np.where(excess > 0, excess / parallel, 0.0)
    basis = network.basis.copy()
    basis[..., 0, :] += extra[..., None] * np.diag(np.maximum(network.sense, 0.0)).reshape(-1)
    return TankNetwork(basis, network.drive, network.coils, network.sense)


def _noise(comparator: Comparator, omega: Floats, amplitude: Floats, quality: Floats) -> tuple[Floats, Floats]:
    """Standard deviation of the mean frequency over 1 s, and extra counts per period (Rice's formula)."""
    slope = omega * amplitude
    jitter_s = comparator.noise_v / slope
    # Each edge shifts the phase of the tank by its jitter times the share of energy renewed per half period.
    phase = jitter_s * omega * np.minimum(np.pi / (2 * np.maximum(quality, 1e-3)), 1.0)
    cycles = omega / (2 * np.pi)
    sigma = phase * np.sqrt(2 * cycles) / (2 * np.pi) + jitter_s * np.sqrt(2) * cycles / 1.0
    ratio = slope / (2 * np.pi * comparator.noise_bandwidth_hz * comparator.noise_v)
    density = np.exp(-(ratio**2) / 2) / np.sqrt(2 * np.pi)
    # Mean up-crossings of a ramp with Gaussian noise less one: φ(r)/r − Φ(−r).
    extra = density / ratio - _erfc(ratio / np.sqrt(2)) / 2
    return sigma, np.where(np.isfinite(extra), np.maximum(extra, 0.0), 0.0)
