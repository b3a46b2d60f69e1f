"""Firmware that is wrong in one of the classic ways, or simpler than ours: ``--fault firmware=NAME``.

Each is the firmware of `hil.sim.meter` with one thing done as it has been done wrong before. A check, or a comparison
of two firmwares, must see every one of them. ``prints_only`` is no mistake but firmware without a bench port, for
benches that only listen.
"""

from collections.abc import Mapping

from numpy import float32

from hil.sim.chip import Chip, Wait
from hil.sim.meter import CLOCK_HZ, PRESCALER, Count, MeterFirmware, ignoring_result
from hil.sim.meter_constants import Constants, erased
from hil.sim.meter_port import MeterPort
from hil.sim.meter_readings import Readings

_UNITS = {"C": ((1e-12, "pF"), (1e-9, "nF"), (1e-6, "uF")), "L": ((1e-6, "uH"), (1e-3, "mH"))}


class _FixedGate(MeterFirmware):
    """The reload is stored and answered, but the gate is always the nominal one."""

    def _gate(self) -> Count:
        begin_s = self.chip.at_s
        yield Constants().reload * PRESCALER / CLOCK_HZ
        return self.chip.count(begin_s, self.chip.at_s)


class _FreePrescaler(MeterFirmware):
    """The prescaler runs on between gates, so that each one is shorter by the part of a step that had passed."""

    def _gate(self) -> Count:
        begin_s = self.chip.at_s
        step_s = PRESCALER / CLOCK_HZ
        yield self.readings.constants.reload * step_s - self.chip.own_s(begin_s) % step_s
        return self.chip.count(begin_s, self.chip.at_s)


class _NominalReadings(Readings):
    """Constants are kept, but not used."""

    def _with_nominal(self) -> Readings:
        return Readings(Constants(reload=self.constants.reload), self.bare_count, self.ccal_count, self.zeros)

    def tank(self) -> tuple[float32, float32]:
        return Readings.tank(self._with_nominal())

    def _unzeroed(self, function: str, count: int) -> float32:
        return Readings._unzeroed(self._with_nominal(), function, count)


class _NoZero(Readings):
    """The zero is measured and forgotten."""

    def take_zero(self, function: str, count: int) -> float32:
        return self._unzeroed(function, count)


class _Coarse(Readings):
    """C1 and L1 in whole tenths of a picofarad and of a microhenry: integers where floats were needed."""

    def tank(self) -> tuple[float32, float32]:
        c1_f, l1_h = Readings.tank(self)
        return float32(round(float(c1_f) * 1e13) / 1e13), float32(round(float(l1_h) * 1e7) / 1e7)


class _OtherReadings(MeterFirmware):
    readings_type: type[Readings] = Readings

    def __init__(self, chip: Chip, version: str) -> None:
        super().__init__(chip, version)
        self.readings = self.readings_type(self.readings.constants)
        self._port = MeterPort(self)  # speaks of these readings


class _UnusedConstants(_OtherReadings):
    """Adjusted constants change nothing."""

    readings_type = _NominalReadings


class _ForgottenZero(_OtherReadings):
    """Taking the zero changes nothing."""

    readings_type = _NoZero


class _IntegerTank(_OtherReadings):
    """C1 and L1 lose digits."""

    readings_type = _Coarse


class _LateRounding(MeterFirmware):
    """Unit and decimals are chosen before rounding: 999.96 pF is shown as 1000.0 pF."""

    def display(self) -> tuple[str, str]:
        first, second = super().display()
        value = float(self.value)
        for most, (low, unit) in zip((2, 3, 3), _UNITS.get(first[:1], ()), strict=False):
            if first[2:3].isdigit() and low <= value < 1000 * low:
                number = value / low
                decimals = 3 if number < 10 else 2 if number < 100 else 1
                first = f"{first[0]}={number:.{min(decimals, most)}f} {unit}"
        return first, second


class _NoRangeCheck(MeterFirmware):
    """The display shows a number whatever happens."""

    def display(self) -> tuple[str, str]:
        first, second = super().display()
        if first.endswith(("----", "OVER")):
            first = f"{first[0]}=0.00 {'pF' if first[0] == 'C' else 'uH'}"
        return first, second


class _DeafKey(MeterFirmware):
    """Presses of KEY1 are counted, and nothing else."""

    def _act_on(self, key: int) -> None:
        if key != 1:
            super()._act_on(key)


class _ForgetfulEeprom(MeterFirmware):
    """Whatever was stored is gone after power-off."""

    def __init__(self, chip: Chip, version: str) -> None:
        if chip.cause == "POWER":
            chip.eeprom[:] = erased()
        super().__init__(chip, version)


class _PrintsOnly(MeterFirmware):
    """Without a bench port: it calibrates itself at every start and prints what it shows, gate by gate."""

    def boot(self) -> Wait:
        yield from super().boot()
        self._do(ignoring_result(self.calibrate()))

    def received(self, data: bytes) -> None:
        pass

    def _take(self, count: int) -> None:
        super()._take(count)
        self.chip.send(self.display()[0])


BUGS: Mapping[str, type[MeterFirmware]] = {
    "fixed_gate": _FixedGate,
    "free_prescaler": _FreePrescaler,
    "unused_constants": _UnusedConstants,
    "forgotten_zero": _ForgottenZero,
    "integer_tank": _IntegerTank,
    "late_rounding": _LateRounding,
    "no_range_check": _NoRangeCheck,
    "deaf_key": _DeafKey,
    "forgetful": _ForgetfulEeprom,
    "prints_only": _PrintsOnly,
}
