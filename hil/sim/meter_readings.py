"""The firmware's arithmetic, in 32-bit floats: counts → tank → readings.

With k = (count of the bare tank ÷ count now)² − 1, a capacitor across the tank adds k·C1 and an inductor in its loop
adds k·L1, for both leave a resonant frequency that falls with the square root of the product. C1 follows from what
Ccal does: Ccal = k·C1 with the second count. One gate is taken as one second, so a count is a frequency in Hz.
"""

from dataclasses import dataclass, field

from numpy import float32

from hil.sim.meter_constants import Constants

CAPACITANCE, INDUCTANCE = "CAP", "IND"
_ONE = float32(1.0)
_TWO_PI = float32(6.2831853)
_NOT_A_NUMBER = float32("nan")
_NOMINAL_C1_F, _NOMINAL_L1_H = float32(680e-12), float32(100e-6)
QUIET_COUNT = 1000  # below 1 kHz nothing oscillates: 1.1 µF with 110 µH is 14 kHz


def _gain(bare: int, now: int) -> float32:
    ratio = float32(bare) / float32(now)
    return ratio * ratio - _ONE


@dataclass(slots=True)
class Readings:
    """What the meter knows since its last reset."""

    constants: Constants
    bare_count: int = 0  # f1; 0: never calibrated
    ccal_count: int = 0  # f2
    zeros: dict[str, float32] = field(default_factory=lambda: {CAPACITANCE: float32(0), INDUCTANCE: float32(0)})

    def calibrate(self, bare: int, with_ccal: int) -> bool:
        """Take two counts; False, and nothing changed, when they cannot be right."""
        if with_ccal < QUIET_COUNT or bare <= with_ccal:
            return False
        self.bare_count, self.ccal_count = bare, with_ccal
        self.zeros[CAPACITANCE] = float32(0)  # the bare count was taken with the terminals open
        return True

    def tank(self) -> tuple[float32, float32]:
        """C1 and L1, F and H; nominal ones before the first calibration."""
        if not self.bare_count:
            return _NOMINAL_C1_F, _NOMINAL_L1_H
        c1_f = self.constants.ccal_f / _gain(self.bare_count, self.ccal_count)
        omega = _TWO_PI * float32(self.bare_count)
        return c1_f, _ONE / (omega * omega * c1_f)

    def _bare(self) -> int:
        if self.bare_count:
            return self.bare_count
        return int(_ONE / (_TWO_PI * (_NOMINAL_C1_F * _NOMINAL_L1_H) ** float32(0.5)))

    def raw(self, function: str, count: int) -> float32:
        """Reading before zero and scale, F or H; NaN when nothing oscillates."""
        if count < QUIET_COUNT:
            return _NOT_A_NUMBER
        c1_f, l1_h = self.tank()
        return (c1_f if function == CAPACITANCE else l1_h) * _gain(self._bare(), count)

    def value(self, function: str, count: int) -> float32:
        """Reading, F or H."""
        return self._scaled(function, self.raw(function, count) - self.zeros[function])

    def take_zero(self, function: str, count: int) -> float32:
        """Take this count as zero; returns the zero found, F or H, NaN (and no change) when nothing oscillates."""
        raw = self.raw(function, count)
        if raw == raw:
            self.zeros[function] = raw
        return self._scaled(function, raw)

    def _scaled(self, function: str, value: float32) -> float32:
        return value * self.constants.scale if function == INDUCTANCE else value
