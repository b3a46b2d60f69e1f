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
QUIET_COUNT = 1000  # below 1 kHz nothing oscillates: 1.1 µF with 110 µH is 14 kHz


def _gain(bare: int, now: int) -> float32:
    ratio = float32(bare) / float32(now)
    return ratio * ratio - _ONE


@dataclass(slots=True)
class Readings:
    """What the meter knows since its last reset."""

    constants: Constants
    bare_count: int = 0  # f1; 0: not calibrated
    ccal_count: int = 0  # f2
    zeros: dict[str, float32] = field(default_factory=dict)

    def calibrate(self, bare: int, with_ccal: int) -> bool:
        """Take two counts; False, and not calibrated any more, when they cannot be right. Forgets both zeros."""
        is_good = QUIET_COUNT <= with_ccal < bare
        self.bare_count, self.ccal_count = (bare, with_ccal) if is_good else (0, 0)
        self.zeros.clear()
        return is_good

    def tank(self) -> tuple[float32, float32]:
        """C1 and L1, F and H; NaN when not calibrated."""
        if not self.bare_count:
            return _NOT_A_NUMBER, _NOT_A_NUMBER
        c1_f = self.constants.ccal_f / _gain(self.bare_count, self.ccal_count)
        omega = _TWO_PI * float32(self.bare_count)
        return c1_f, _ONE / (omega * omega * c1_f)

    def _unzeroed(self, function: str, count: int) -> float32:
        if count < QUIET_COUNT or not self.bare_count:
            return _NOT_A_NUMBER
        c1_f, l1_h = self.tank()
        gain = _gain(self.bare_count, count)
        return c1_f * gain if function == CAPACITANCE else self.constants.scale * l1_h * gain

    def value(self, function: str, count: int) -> float32:
        """Reading, F or H; NaN when nothing oscillates or the meter is not calibrated."""
        return self._unzeroed(function, count) - self.zeros.get(function, float32(0))

    def take_zero(self, function: str, count: int) -> float32:
        """Take this count as zero; returns the zero found, F or H, NaN (and no change) when there is none."""
        found = self._unzeroed(function, count)
        if found == found:
            self.zeros[function] = found
        return found
