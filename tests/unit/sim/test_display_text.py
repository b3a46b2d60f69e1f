"""The meter's display lines."""

import math

import pytest

from hil.sim.display_text import battery_line, first_line

# Common practice, no source: engineering units, 12 000 pF shown as 12 nF, rounding before the unit is chosen.


@pytest.mark.parametrize(
    ("value_f", "text"),
    [
        (12_000e-12, "C=12.00 nF"),
        (999.95e-12, "C=1.000 nF"),
        (999.94e-12, "C=999.9 pF"),
        (100e-12, "C=100.0 pF"),
        (99.996e-12, "C=100.0 pF"),
        (99.994e-12, "C=99.99 pF"),
        (0.3e-12, "C=0.30 pF"),
        (0.0, "C=0.00 pF"),
        (-0.05e-12, "C=-0.05 pF"),
        (-0.004e-12, "C=0.00 pF"),
        (9.9996e-9, "C=10.00 nF"),
        (99.996e-9, "C=100.0 nF"),
        (999.96e-9, "C=1.000 uF"),
        (1.0996e-6, "C=1.100 uF"),
        (1.1e-6, "C=1.100 uF"),
        (1.1001e-6, "C=OVER"),
        (math.inf, "C=OVER"),
        (math.nan, "C=----"),
    ],
)
def test_capacitance(value_f: float, text: str) -> None:
    assert first_line(value_f, "C") == text


@pytest.mark.parametrize(
    ("value_h", "text"),
    [
        (1e-3, "L=1.000 mH"),
        (999.96e-6, "L=1.000 mH"),
        (99.996e-6, "L=100.0 uH"),
        (1e-6, "L=1.00 uH"),
        (109.96e-3, "L=110.0 mH"),
        (110.1e-3, "L=OVER"),
        (math.nan, "L=----"),
    ],
)
def test_inductance(value_h: float, text: str) -> None:
    assert first_line(value_h, "L") == text


def test_battery() -> None:
    assert battery_line(7.406) == "BAT 7.41V"
