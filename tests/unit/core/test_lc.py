"""The meter's arithmetic against published figures and against itself."""

import math

import numpy as np
import pytest

from hil.core import lc


@pytest.mark.parametrize(
    ("inductance_h", "capacitance_f", "frequency_hz"),
    [(100e-6, 1000e-12, 503_292.121), (82e-6, 1000e-12, 555_793.170), (100e-6, 2000e-12, 355_881.272)],
)
def test_resonance_as_tabulated(inductance_h: float, capacitance_f: float, frequency_hz: float) -> None:
    """Thomson's formula (recomputed figures, three decimals)."""
    assert lc.resonance_hz(inductance_h, capacitance_f) == pytest.approx(frequency_hz, abs=0.0005)


def test_doubling_the_capacitance_is_a_ratio_of_exactly_root_two() -> None:
    assert lc.resonance_hz(1e-4, 1e-9) / lc.resonance_hz(1e-4, 2e-9) == pytest.approx(math.sqrt(2), rel=1e-15)


@pytest.fixture
def nominal() -> tuple[lc.Tank, float]:
    f1 = lc.resonance_hz(100e-6, 680e-12)
    return lc.tank(f1, lc.resonance_hz(100e-6, 1880e-12), 1200e-12), f1


def test_calibration_finds_the_tank(nominal: tuple[lc.Tank, float]) -> None:
    found, f1 = nominal
    assert found.capacitance_f == pytest.approx(680e-12, rel=1e-13)
    assert found.inductance_h == pytest.approx(100e-6, rel=1e-13)
    assert f1 == pytest.approx(610_327, rel=1e-5)  # the 610 kHz of the description of the meter


@pytest.mark.parametrize("capacitance_f", [1e-12, 100e-12, 10e-9, 1e-6])
def test_capacitance_round_trip_and_ratio_form(nominal: tuple[lc.Tank, float], capacitance_f: float) -> None:
    """Cx = Ccal·((F1/F3)² − 1)/((F1/F2)² − 1), the ratio method."""
    found, f1 = nominal
    f2, f3 = lc.resonance_hz(100e-6, 1880e-12), lc.resonance_hz(100e-6, 680e-12 + capacitance_f)
    assert lc.capacitance_f(found, f1, f3) == pytest.approx(capacitance_f, rel=1e-11)
    ratio_form = 1200e-12 * ((f1 / f3) ** 2 - 1) / ((f1 / f2) ** 2 - 1)
    assert lc.capacitance_f(found, f1, f3) == pytest.approx(ratio_form, rel=1e-11)


@pytest.mark.parametrize("inductance_h", [1e-6, 100e-6, 1e-3, 100e-3])
def test_inductance_round_trip(nominal: tuple[lc.Tank, float], inductance_h: float) -> None:
    found, f1 = nominal
    assert lc.inductance_h(found, f1, lc.resonance_hz(100e-6 + inductance_h, 680e-12)) == pytest.approx(
        inductance_h, rel=1e-11
    )


def test_timebase_error_cancels_from_cx_and_counts_twice_in_lx(nominal: tuple[lc.Tank, float]) -> None:
    """50 ppm is 0.01 % of Lx (common practice, no source)."""
    found, f1 = nominal
    f2, f3, wrong = lc.resonance_hz(100e-6, 1880e-12), lc.resonance_hz(100e-6, 1680e-12), 1 + 50e-6
    off = lc.tank(f1 * wrong, f2 * wrong, 1200e-12)
    assert lc.capacitance_f(off, f1 * wrong, f3 * wrong) == pytest.approx(lc.capacitance_f(found, f1, f3), rel=1e-12)
    true, read = lc.inductance_h(found, f1, f3), lc.inductance_h(off, f1 * wrong, f3 * wrong)
    assert read / true - 1 == pytest.approx(-1e-4, rel=1e-3)


@pytest.mark.parametrize(
    ("added", "kind", "relative", "absolute"),
    [(1e-12, 0, None, 0.002e-12), (1e-6, 0, 126e-6, None), (1e-6, 1, None, 0.33e-9), (100e-3, 1, 104e-6, None)],
)
def test_one_count(
    nominal: tuple[lc.Tank, float], added: float, kind: int, relative: float | None, absolute: float | None
) -> None:
    """One count in one second: 0.002 pF at 1 pF, 126 ppm at 1 µF, 0.33 nH at 1 µH, about 104 ppm at 100 mH."""
    found, f1 = nominal
    f3 = lc.resonance_hz(*((100e-6, 680e-12 + added) if kind == 0 else (100e-6 + added, 680e-12)))
    step = lc.count_step(found, f1, f3)[kind]
    assert step == pytest.approx(absolute if absolute is not None else added * (relative or 0.0), rel=0.12)


@pytest.mark.parametrize("frequencies", [(600e3, 600e3), (600e3, 700e3), (600e3, 0.0), (0.0, 0.0)])
def test_no_tank_without_a_step(frequencies: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="Ccal must lower the frequency"):
        lc.tank(*frequencies, 1200e-12)


# Adjustments


def test_trim_reaches_its_residue() -> None:
    """One step of the gate is 16 ppm, so ±8 ppm is what can be reached."""
    for error in (x * 1e-6 for x in range(-60, 61, 7)):
        found = lc.trim(62_500, 4e6, 4e6 * (1 + error))
        indicated_then = 4e6 * (1 + error) * found.reload / 62_500
        assert indicated_then / 4e6 - 1 == pytest.approx(found.residue, abs=1e-12)
        assert abs(found.residue) <= 8.01e-6
        assert abs(found.reload - 62_500) <= 4


def test_trim_needs_frequencies() -> None:
    with pytest.raises(ValueError, match="two frequencies"):
        lc.trim(62_500, 4e6, 0.0)


def test_adjusted_ccal_makes_the_reading_right(nominal: tuple[lc.Tank, float]) -> None:
    _, f1 = nominal
    true_ccal_f, zero_f, part_f = 1209e-12, 3e-12, 1002e-12
    f2 = lc.resonance_hz(100e-6, 680e-12 + true_ccal_f)
    f3 = lc.resonance_hz(100e-6, 680e-12 + part_f + zero_f)

    def reading(ccal_f: float) -> float:
        return lc.capacitance_f(lc.tank(f1, f2, ccal_f), f1, f3) - zero_f

    ccal_f = lc.adjusted_ccal_f(1200e-12, part_f, reading(1200e-12), zero_f)
    assert ccal_f == pytest.approx(true_ccal_f, rel=1e-9)
    assert reading(ccal_f) == pytest.approx(part_f, rel=1e-12)


def test_adjusted_scale_makes_the_reading_right() -> None:
    scale = lc.adjusted_scale(1.0, 1.0005e-3, 1.0321e-3)
    assert scale * 1.0321e-3 == pytest.approx(1.0005e-3, rel=1e-12)


def test_apparent_inductance() -> None:
    assert lc.apparent_inductance_h(1e-3, 100e3, 100e3, 1.84e6) == pytest.approx(1e-3)
    rise = lc.apparent_inductance_h(1e-3, 100e3, 184e3, 1.84e6) / 1e-3
    assert rise == pytest.approx((1 - (1 / 18.4) ** 2) / 0.99, rel=1e-12)
    with pytest.raises(ValueError, match="self-resonance"):
        lc.apparent_inductance_h(1e-3, 100e3, 2e6, 1.84e6)


def test_frequencies_that_are_drawn_make_as_many_tanks() -> None:
    bare_hz, with_ccal_hz = np.array([605e3, 606e3]), np.array([367e3, 368e3])
    found = lc.tank(bare_hz, with_ccal_hz, 1200e-12)  # type: ignore[arg-type]
    for index in range(2):
        one = lc.tank(float(bare_hz[index]), float(with_ccal_hz[index]), 1200e-12)
        assert found.capacitance_f[index] == one.capacitance_f  # type: ignore[index]
        assert found.inductance_h[index] == one.inductance_h  # type: ignore[index]
    with pytest.raises(ValueError, match="Ccal must lower the frequency"):
        lc.tank(bare_hz, np.array([367e3, 700e3]), 1200e-12)  # type: ignore[arg-type]
