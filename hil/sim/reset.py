"""What keeps a microcontroller in reset and lets it go: supply, brown-out detector, reset pin; and the last cause."""

from abc import ABC, abstractmethod

BROWN_OUT_V, BROWN_OUT_HYSTERESIS_V = 4.3, 0.05  # ATmega328P data sheet: level 4.3 V, hysteresis 50 mV
POWER_ON_RESET_V = 1.3


class ResetLogic(ABC):
    """The part of a `hil.sim.processor.Processor` that does not depend on what runs in it.

    Args:
        brown_out_v: supply voltage below which it resets, V.
    """

    def __init__(self, brown_out_v: float) -> None:
        self.at_s, self.cause = 0.0, "POWER"
        self._brown_out_v = brown_out_v
        self._vcc_v, self._reset_is_low, self._stopped_by = 0.0, False, "POWER"

    def power(self, vcc_v: float, at_s: float) -> None:
        """The supply pins have this voltage from now on."""
        self.at_s, self._vcc_v = max(self.at_s, at_s), vcc_v
        if vcc_v < POWER_ON_RESET_V:
            self._reset("POWER")
        elif vcc_v < self._brown_out_v:
            self._reset("BROWN")
        else:
            self._start_if_possible()

    def reset_pin(self, is_low: bool, at_s: float) -> None:
        """The reset pin has this level from now on."""
        self.at_s, self._reset_is_low = max(self.at_s, at_s), is_low
        if is_low:
            self._reset("EXTERNAL")
        else:
            self._start_if_possible()

    @abstractmethod
    def is_running(self) -> bool:
        """Powered, clocked and out of reset."""

    @abstractmethod
    def _stop(self) -> None:
        """What runs is lost."""

    @abstractmethod
    def _start_if_possible(self) -> None:
        """Start unless it runs, or may not."""

    def _reset(self, cause: str) -> None:
        if self.is_running():
            self._stop()
            self._stopped_by = cause
        elif cause == "POWER" or (cause == "BROWN" and self._stopped_by == "EXTERNAL"):
            self._stopped_by = cause  # what went deeper counts

    def _may_start(self, clock_hz: float) -> bool:
        is_supplied = self._vcc_v >= self._brown_out_v + BROWN_OUT_HYSTERESIS_V
        return is_supplied and not self._reset_is_low and clock_hz > 0
