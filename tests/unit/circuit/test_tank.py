"""The limit cycle against the formulas that it must approach, on a bare parallel tank."""

import math
from itertools import pairwise

import numpy as np
import pytest

from hil.circuit.tank import Coils, Comparator, Harmonics, TankNetwork, solve

L, C = 100e-6, 680e-12
OMEGA0 = 1 / math.sqrt(L * C)


def tank(quality: float, feedback_s: float = 1e-9) -> TankNetwork:
    """A lossless coil with a conductance for the loss, fed through a vanishing conductance."""
    conductance = math.sqrt(C / L) / quality
    basis = np.array([[conductance], [C], [1.0]])
    coils = Coils(*(np.array([value]) for value in (L, 1e-9, 0.0, 1e6, 0.0)))
    return TankNetwork(basis, np.array([[feedback_s], [0.0]]), coils, np.array([1.0]))


def comparator(**changes: object) -> Comparator:
    values: dict[str, object] = {
        "delay_s": 90e-9, "swing_v": 4.8, "balance_low_v": 1.6,
        "balance_high_v": -1.6, "noise_v": 1e-12, "noise_bandwidth_hz": 1.8e6,
        "headroom_v": 10.0,
    }  # fmt: skip
    return Comparator(**(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("delay_s", [0.0, 60e-9, 120e-9])
def test_high_q_follows_the_phase_condition(delay_s):
    """Q(ω/ω0 − ω0/ω) = −tan(ω·td), solved here by bisection."""
    quality = 200.0
    low, high = 0.9, 1.1
    for _ in range(60):
        middle = (low + high) / 2
        miss = quality * (middle - 1 / middle) + math.tan(middle * OMEGA0 * delay_s)
        low, high = (low, middle) if miss > 0 else (middle, high)
    found = solve(tank(quality), comparator(delay_s=delay_s), OMEGA0)
    # What is left are the drive's harmonics, −1/(8Q²) = 3 ppm.
    assert found.frequency_hz * 2 * math.pi / OMEGA0 == pytest.approx(low, rel=6e-6)


@pytest.mark.parametrize("quality", [8.0, 20.0])
def test_harmonics_shift_by_one_over_eight_q_squared(quality):
    """Without delay; −1/(8Q²) is the first term of the published series (design of the meter, from prototypes)."""
    found = solve(tank(quality), comparator(delay_s=0.0), OMEGA0)
    shift = found.frequency_hz * 2 * math.pi / OMEGA0 - 1
    assert shift == pytest.approx(-1 / (8 * quality**2), rel=0.1)


def test_amplitude_is_the_fundamental_of_the_drive_on_the_loss():
    quality = 50.0
    found = solve(tank(quality), comparator(delay_s=0.0), OMEGA0)
    expected = 2 / math.pi * 4.8 * 1e-9 * quality * math.sqrt(L / C)
    assert found.amplitude_v == pytest.approx(expected, rel=2e-3)


def test_unbalanced_inputs_move_the_duty():
    # Drive so small that the averaged inputs alone set the duty.
    found = solve(tank(50.0), comparator(balance_low_v=0.4), OMEGA0)
    assert found.duty == pytest.approx(0.2, abs=1e-3)


def test_output_that_is_held_does_not_oscillate():
    held = solve(tank(50.0), comparator(balance_low_v=-0.1), OMEGA0)
    assert held.frequency_hz == 0.0
    assert held.duty == 0.0


def test_amplitude_in_the_noise_does_not_oscillate():
    assert solve(tank(50.0), comparator(noise_v=1.0), OMEGA0).frequency_hz == 0.0


def test_extra_edges_grow_as_the_slope_falls():
    network = tank(50.0, feedback_s=4.5e-6)
    amplitude = solve(network, comparator(delay_s=0.0), OMEGA0).amplitude_v
    slope = amplitude * OMEGA0
    extra = []
    for ratio in (4.0, 2.0, 1.0):  # slope against the noise's own: 2π·bandwidth·noise
        noise = slope / ratio / (2 * math.pi * 1.8e6)
        extra.append(solve(network, comparator(noise_v=noise, delay_s=0.0), OMEGA0).extra_edges)
    # φ(r)/r − Φ(−r) at 4, 2 and 1, from a table of the normal distribution.
    assert extra == pytest.approx([1.786e-6, 0.004245, 0.08332], rel=0.01)
    assert all(first < second for first, second in pairwise(extra))


def test_common_mode_limit_caps_the_amplitude():
    network = tank(50.0, feedback_s=4.5e-6)
    free = solve(network, comparator(), OMEGA0)
    capped = solve(network, comparator(headroom_v=free.amplitude_v / 2), OMEGA0)
    assert capped.amplitude_v == pytest.approx(free.amplitude_v / 2, rel=0.02)
    assert capped.frequency_hz < free.frequency_hz  # the delay weighs more at lower Q


def test_derivative_of_the_transfer_function():
    network, step = tank(20.0), OMEGA0 * 1e-6
    harmonics = Harmonics(network)
    _, slope, _ = harmonics.at(OMEGA0)
    ahead, behind = (harmonics.at(OMEGA0 + d)[0][0] for d in (step, -step))
    assert slope == pytest.approx(complex(ahead - behind) / (2 * step), rel=1e-5)


def test_an_output_that_does_not_swing_drives_nothing():
    found = solve(tank(50.0), comparator(swing_v=0.0), OMEGA0)
    assert (found.frequency_hz, found.duty) == (0.0, 0.5)
