"""The limit cycle against the formulas that it must approach, on a bare parallel tank."""

import math
from itertools import pairwise

import numpy as np
import pytest

from hil.circuit.tank import Coils, Comparator, TankNetwork, solve, transfer

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
        "delay_s": np.array(90e-9), "swing_v": np.array(4.8), "balance_low_v": np.array(1.6),
        "balance_high_v": np.array(-1.6), "noise_v": np.array(1e-12), "noise_bandwidth_hz": 1.8e6,
        "headroom_v": np.array(10.0),
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
    found = solve(tank(quality), comparator(delay_s=np.array(delay_s)), np.array(OMEGA0))
    # What is left are the drive's harmonics, −1/(8Q²) = 3 ppm.
    assert float(found.frequency_hz) * 2 * math.pi / OMEGA0 == pytest.approx(low, rel=6e-6)


@pytest.mark.parametrize("quality", [8.0, 20.0])
def test_harmonics_shift_by_one_over_eight_q_squared(quality):
    """Without delay; −1/(8Q²) is the first term of the published series (design of the meter, from prototypes)."""
    found = solve(tank(quality), comparator(delay_s=np.array(0.0)), np.array(OMEGA0))
    shift = float(found.frequency_hz) * 2 * math.pi / OMEGA0 - 1
    assert shift == pytest.approx(-1 / (8 * quality**2), rel=0.1)


def test_amplitude_is_the_fundamental_of_the_drive_on_the_loss():
    quality = 50.0
    found = solve(tank(quality), comparator(delay_s=np.array(0.0)), np.array(OMEGA0))
    expected = 2 / math.pi * 4.8 * 1e-9 * quality * math.sqrt(L / C)
    assert float(found.amplitude_v) == pytest.approx(expected, rel=2e-3)


def test_unbalanced_inputs_move_the_duty():
    # Drive so small that the averaged inputs alone set the duty.
    found = solve(tank(50.0), comparator(balance_low_v=np.array(0.4)), np.array(OMEGA0))
    assert float(found.duty) == pytest.approx(0.2, abs=1e-3)


def test_output_that_is_held_does_not_oscillate():
    held = solve(tank(50.0), comparator(balance_low_v=np.array(-0.1)), np.array(OMEGA0))
    assert float(held.frequency_hz) == 0.0
    assert float(held.duty) == 0.0


def test_amplitude_in_the_noise_does_not_oscillate():
    assert float(solve(tank(50.0), comparator(noise_v=np.array(1.0)), np.array(OMEGA0)).frequency_hz) == 0.0


def test_extra_edges_grow_as_the_slope_falls():
    network = tank(50.0, feedback_s=4.5e-6)
    amplitude = float(solve(network, comparator(delay_s=np.array(0.0)), np.array(OMEGA0)).amplitude_v)
    slope = amplitude * OMEGA0
    extra = []
    for ratio in (4.0, 2.0, 1.0):  # slope against the noise's own: 2π·bandwidth·noise
        noise = slope / ratio / (2 * math.pi * 1.8e6)
        extra.append(
            float(
                solve(network, comparator(noise_v=np.array(noise), delay_s=np.array(0.0)), np.array(OMEGA0)).extra_edges
            )
        )
    # φ(r)/r − Φ(−r) at 4, 2 and 1, from a table of the normal distribution.
    assert extra == pytest.approx([1.786e-6, 0.004245, 0.08332], rel=0.01)
    assert all(first < second for first, second in pairwise(extra))


def test_common_mode_limit_caps_the_amplitude():
    network = tank(50.0, feedback_s=4.5e-6)
    free = solve(network, comparator(), np.array(OMEGA0))
    capped = solve(network, comparator(headroom_v=free.amplitude_v / 2), np.array(OMEGA0))
    assert float(capped.amplitude_v) == pytest.approx(float(free.amplitude_v) / 2, rel=0.02)
    assert float(capped.frequency_hz) < float(free.frequency_hz)  # the delay weighs more at lower Q


def test_population_is_solved_as_one():
    networks = [tank(quality) for quality in (10.0, 50.0, 200.0)]
    together = TankNetwork(
        np.stack([network.basis for network in networks]), np.stack([network.drive for network in networks]),
        Coils(*(np.broadcast_to(getattr(networks[0].coils, name), (3, 1))
                if name.endswith(("_h", "_ohm")) else getattr(networks[0].coils, name)
                for name in ("inductance_h", "resistance_ohm", "ac_resistance_ohm", "reference_hz", "exponent"))),
        networks[0].sense,
    )  # fmt: skip
    many = comparator(**{name: np.full(3, float(getattr(comparator(), name))) for name in (
        "delay_s", "swing_v", "balance_low_v", "balance_high_v", "noise_v", "headroom_v")})  # fmt: skip
    found = solve(together, many, np.full(3, OMEGA0))
    alone = [float(solve(network, comparator(), np.array(OMEGA0)).frequency_hz) for network in networks]
    assert found.frequency_hz.tolist() == pytest.approx(alone, rel=1e-6)


def test_derivative_of_the_transfer_function():
    network, step = tank(20.0), OMEGA0 * 1e-6
    _, slope, _ = transfer(network, np.array([OMEGA0]))
    ahead, behind = (transfer(network, np.array([OMEGA0 + d]))[0] for d in (step, -step))
    assert complex(slope[0]) == pytest.approx(complex((ahead - behind)[0] / (2 * step)), rel=1e-5)
