"""The oscillator: a linear network in a loop with a comparator that switches a delay after its input crosses zero.

With the output a rectangle of duty D between two levels, the difference of the comparator's inputs is the sum over
harmonics of the network's transfer function H(jkω). The output rises a delay td after the input crosses its threshold upwards and falls td after
it crosses downwards. Written for both edges these are two equations for ω and D (Tsypkin's method for relay systems,
with delay and unequal half-waves):

    Σ Im(Wk)·sin²(πkD)/k = 0                                    Wk = H(jkω)·exp(−jkω·td)
    X(D) + 2·ΔV·Σ Re(Wk)·sin(2πkD)/(2πk) = 0                    X(D): difference of the averaged inputs

With one harmonic and D = ½ the first is the phase condition Q(ω/ω0 − ω0/ω) = −tan(ω·td). The sums decay slowly
because H falls like h/(jkω); that part is summed in closed form (Fourier series of Bernoulli polynomials) and only
the rest term by term.

All functions take arrays with any leading dimensions (one tank per entry), so that a whole population is solved at
once. The extra counts of a noisy comparator on a slow edge follow from Rice's formula for crossings.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

HARMONICS = 12
LEAST_OMEGA, MOST_OMEGA = 2 * np.pi * 300.0, 2 * np.pi * 20e6  # a resonance is looked for between these
_K = np.arange(1, HARMONICS + 1)


@dataclass(frozen=True, slots=True)
class Coils:
    """Inductors with loss, R(f) = dc + ac·(f/reference)^exponent; the last dimension counts them.

    ``pattern`` (coils, n·n) holds what one siemens of each adds to the nodal matrix.
    """

    pattern: Floats
    inductance_h: Floats
    resistance_ohm: Floats
    ac_resistance_ohm: Floats
    reference_hz: Floats
    exponent: Floats


@dataclass(frozen=True, slots=True)
class TankNetwork:
    """Nodal matrices of the passive part. ``sense`` weighs the nodes to the difference of the comparator's inputs.

    ``drive_s`` and ``drive_f`` are conductances and capacitances from the comparator's output to the nodes; they are
    on the diagonals of the matrices as well. Leading dimensions are free.
    """

    conductance_s: Floats  # (..., n, n)
    capacitance_f: Floats  # (..., n, n)
    coils: Coils
    drive_s: Floats  # (..., n)
    drive_f: Floats  # (..., n)
    sense: Floats  # (n,): 1 at the + input, -1 at the - input


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
    coils, w = network.coils, omega[..., None]
    relative = w / (2 * np.pi * coils.reference_hz)
    ac = coils.ac_resistance_ohm[..., None, :] * relative**coils.exponent
    reactance = 1j * coils.inductance_h[..., None, :]
    admittance = 1 / (coils.resistance_ohm[..., None, :] + ac + w * reactance)
    steepness = -(ac * (coils.exponent / w) + reactance) * admittance * admittance
    size = network.conductance_s.shape[-1]
    shape = (*admittance.shape[:-1], size, size)
    capacitive = 1j * network.capacitance_f[..., None, :, :]
    matrix = network.conductance_s[..., None, :, :] + w[..., None] * capacitive
    matrix = matrix + (admittance @ coils.pattern).reshape(shape)
    slope = capacitive + (steepness @ coils.pattern).reshape(shape)
    right = np.zeros((*shape[:-1], 2), dtype=complex)
    drive_slope = 1j * network.drive_f[..., None, :]
    right[..., 0] = network.drive_s[..., None, :] + w * drive_slope
    right[..., 1] = network.sense
    solved = np.linalg.solve(matrix, right)
    # The matrix is symmetric: the inverse's weighted rows are the response to currents at the inputs.
    response, row = solved[..., 0], solved[..., 1]
    derivative = (row * (drive_slope - (slope @ solved[..., :1])[..., 0])).sum(-1)
    return response @ network.sense, derivative, row @ network.sense


def _cosine_sum(x: Floats) -> Floats:
    """Σ cos(kx)/k² over k ≥ 1 = π²/6 − πx/2 + x²/4 for 0 ≤ x ≤ 2π."""
    x = np.mod(x, 2 * np.pi)
    return np.pi**2 / 6 - np.pi * x / 2 + x * x / 4


def resonance(network: TankNetwork, delay_s: Floats, start_omega: Floats) -> tuple[Floats, Floats, Floats]:
    """Where the fundamental satisfies the phase condition: ω, loaded Q, and whether there is such a place."""
    omega = np.array(start_omega, dtype=float)
    quality, settled = np.zeros(omega.shape), np.zeros(omega.shape, dtype=bool)
    for _ in range(30):
        h, dh, _z = (array[..., 0] for array in transfer(network, omega[..., None]))
        # 1/H is nearly linear in ω around the resonance, so that Newton's method passes from far away.
        inverse = np.exp(1j * omega * delay_s) / h
        slope = inverse * (1j * delay_s - dh / h)
        step = np.minimum(np.maximum(-inverse.imag / slope.imag, -omega / 3), omega / 3)
        omega = omega + step
        quality = omega / 2 * np.abs((dh / h).imag)
        settled = (np.abs(step) < 1e-3 * omega) & (inverse.real > 0)
        lost = (omega < LEAST_OMEGA) | (omega > MOST_OMEGA)
        if bool((settled | lost).all()):
            break
    return omega, quality, settled & (omega > LEAST_OMEGA) & (omega < MOST_OMEGA)


def solve(network: TankNetwork, comparator: Comparator, start_omega: Floats) -> TankSolution:
    """The limit cycle near the resonance next to ``start_omega``."""
    with np.errstate(all="ignore"):
        return _solve(network, comparator, start_omega)


def _solve(network: TankNetwork, comparator: Comparator, start_omega: Floats) -> TankSolution:
    astable = (comparator.balance_low_v > 0) & (comparator.balance_high_v < 0)
    gap = comparator.balance_low_v - comparator.balance_high_v
    middle = np.where(astable, comparator.balance_low_v / np.where(gap == 0, np.inf, gap), 0.5)
    resting = np.where(astable, middle, np.where(comparator.balance_high_v > 0, 1.0, 0.0))
    omega, quality, settled = resonance(network, comparator.delay_s, start_omega)
    alive = settled & astable
    if not bool(alive.any()):
        zero = np.zeros(omega.shape)
        return TankSolution(zero, zero, resting, zero, zero, np.where(settled, quality, 0.0))
    omega = np.where(alive, omega, start_omega)
    duty, omega, h = _limit_cycle(network, comparator, omega, middle)
    amplitude = 2 * comparator.swing_v * np.abs(h) * np.sin(np.pi * duty) / np.pi
    if bool((alive & (amplitude > comparator.headroom_v)).any()):
        network = _clamped(network, omega, amplitude, comparator.headroom_v)
        duty, omega, h = _limit_cycle(network, comparator, omega, middle)
        amplitude = 2 * comparator.swing_v * np.abs(h) * np.sin(np.pi * duty) / np.pi
    alive = alive & (amplitude > 2 * comparator.noise_v) & np.isfinite(omega) & (duty > 0.002) & (duty < 0.998)
    # A half period shorter than the delay does not come out of the comparator (inertial delay).
    alive = alive & (omega * comparator.delay_s < np.pi)
    sigma, extra = _noise(comparator, omega, amplitude, quality)
    return TankSolution(
        frequency_hz=np.where(alive, omega / (2 * np.pi), 0.0),
        amplitude_v=np.where(alive, amplitude, 0.0),
        duty=np.where(alive, duty, resting),
        sigma_hz=np.where(alive, sigma, 0.0),
        extra_edges=np.where(alive, extra, 0.0),
        loaded_q=np.where(settled, quality, 0.0),
    )


def _limit_cycle(
    network: TankNetwork, comparator: Comparator, omega: Floats, duty: Floats
) -> tuple[Floats, Floats, Complexes]:
    """Newton's method for both equations; the harmonics' own dependence on ω is left to the next step."""
    gap = comparator.balance_low_v - comparator.balance_high_v
    duty = np.minimum(np.maximum(duty, 0.02), 0.98)
    fundamental: Complexes = np.zeros(omega.shape, dtype=complex)
    for _ in range(15):
        h, dh, _z = transfer(network, omega[..., None] * _K)
        fundamental = h[..., 0]
        tail = (1j * HARMONICS * omega * h[..., -1]).real  # H -> tail/(jkω)
        lag = omega * comparator.delay_s
        delay = np.exp(-1j * _K * lag[..., None])
        rest = (h - (tail / omega)[..., None] / (1j * _K)) * delay
        turn = np.pi * _K * duty[..., None]
        sine, cosine = np.sin(turn), np.cos(turn)
        sine2, double = sine * sine, 2 * sine * cosine
        plus, minus = _cosine_sum(lag + 2 * np.pi * duty), _cosine_sum(lag - 2 * np.pi * duty)
        edge = (rest.imag * sine2 / _K).sum(-1) - tail / omega * (_cosine_sum(lag) / 2 - (plus + minus) / 4)
        level = (rest.real * double / _K).sum(-1) / np.pi + tail / omega * (plus - minus) / (2 * np.pi)
        # The first equation with its fundamental as 1/H, which is nearly linear in ω: Im(y) = others·|y|²/sin²(πD).
        wave = fundamental * delay[..., 0]
        others = edge - wave.imag * sine2[..., 0]
        y = 1 / wave
        dy = -y * (dh[..., 0] / fundamental - 1j * comparator.delay_s)
        share = others / sine2[..., 0]
        miss = y.imag - share * np.abs(y) ** 2
        by_omega = dy.imag - 2 * share * (y.conj() * dy).real
        step_omega = np.minimum(np.maximum(-miss / by_omega, -omega / 4), omega / 4)
        wave_slope = (-dy / (y * y)).real * double[..., 0] / np.pi
        missing = (comparator.balance_low_v - gap * duty) / comparator.swing_v + level + wave_slope * step_omega
        by_duty = -gap / comparator.swing_v + 2 * (rest.real * (1 - 2 * sine2)).sum(-1)
        step_duty = np.minimum(np.maximum(-missing / by_duty, -0.1), 0.1)
        omega = omega + step_omega
        duty = np.minimum(np.maximum(duty + step_duty, 1e-3), 1 - 1e-3)
        if not bool(((np.abs(step_omega) > 1e-6 * omega) | (np.abs(step_duty) > 1e-5)).any()):
            break
    return duty, omega, fundamental


def _clamped(network: TankNetwork, omega: Floats, amplitude: Floats, most: Floats) -> TankNetwork:
    """The + input draws current beyond its range: as much conductance as keeps the amplitude at the edge."""
    _h, _dh, impedance = transfer(network, omega[..., None])
    parallel = 1 / (1 / impedance[..., 0]).real
    most = np.maximum(most, 1e-3)
    extra = np.where(amplitude > most, (amplitude / most - 1) / parallel, 0.0)
    conductance = network.conductance_s.copy()
    conductance += extra[..., None, None] * np.diag(np.maximum(network.sense, 0.0))
    return TankNetwork(
        conductance, network.capacitance_f, network.coils, network.drive_s, network.drive_f, network.sense
    )


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
    extra = density / ratio - _upper(ratio)
    return sigma, np.where(np.isfinite(extra), np.maximum(extra, 0.0), 0.0)


def _upper(x: Floats) -> Floats:
    """Gaussian upper tail, to 7.5e-8 (Abramowitz and Stegun 26.2.17)."""
    t = 1 / (1 + 0.2316419 * x)
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    return np.asarray(np.exp(-x * x / 2) / np.sqrt(2 * np.pi) * series)
