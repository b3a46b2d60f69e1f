"""The meter's bench port, command by command (fixtures/firmware/bench_port.md)."""

from collections.abc import Generator
from typing import TYPE_CHECKING

from numpy import float32

from hil.sim.meter_constants import (
    CCAL_RANGE_F,
    RELOAD_RANGE,
    SCALE_RANGE,
    constants_place,
    constants_record,
    read_serial,
    serial_record,
)
from hil.sim.meter_readings import QUIET_COUNT
from hil.sim.processor import PIN_K1, PIN_K2
from hil.wire.scpi import (
    NOT_A_NUMBER,
    OVER_RANGE,
    Choice,
    Command,
    Integer,
    Interpreter,
    Number,
    ScpiError,
    Seconds,
    Status,
    Text,
)

if TYPE_CHECKING:
    from hil.sim.meter import MeterFirmware

_STORE_S = 0.060
_ERROR_QUEUE = 4
_SWITCH = Choice(keywords=("ON", "OFF"))
_LAMP = Choice(keywords=("ON", "OFF", "AUTO"))

Answer = Generator[float, None, str]


def _shown(value: float | float32) -> str:
    return _special(NOT_A_NUMBER) if value != value else f"{float(value):.6E}"


def _special(value: float) -> str:
    return "9.91E37" if value == NOT_A_NUMBER else "9.9E37"


class MeterPort:
    """Carries out lines for a meter."""

    def __init__(self, meter: "MeterFirmware") -> None:
        self._meter, self._chip = meter, meter.chip
        self._status = Status(_ERROR_QUEUE)
        commands = self._system() | self._sense() | self._calibration() | self._diagnostic()
        self._interpreter = Interpreter(
            commands,
            status=self._status,
            identity=self._identity,
            reset=self._reset,
            self_test=self._self_test,
            relative_headers=False,
        )

    def run(self, line: str) -> Seconds:
        """Carry out one line."""
        return self._interpreter.run(line)

    def line_too_long(self) -> None:
        """A line was dropped."""
        self._status.report(ScpiError(-363))

    # Common commands and SYSTem

    def _system(self) -> dict[str, Command]:
        meter, chip = self._meter, self._chip
        return {
            "SYSTem:SERial": Command(self._give_serial, (Text(pattern="[A-Z0-9-]*", shortest=1, longest=15),)),
            "SYSTem:SERial?": Command(lambda: f'"{read_serial(chip.eeprom)}"'),
            "SYSTem:UPTime?": Command(lambda: f"{chip.own_s(chip.at_s - chip.reset_at_s):.3f}"),
            "SYSTem:CAUSe?": Command(lambda: chip.cause),
            "DISPlay:TEXT": Command(self._show, (Text(longest=12),)),
            "DISPlay:TEXT?": Command(lambda: ",".join(f'"{line}"' for line in meter.display())),
            "DISPlay:TEXT:CLEar": Command(self._show_readings),
        }

    def _identity(self) -> str:
        return f"Quillmere Instruments,QM-2,{read_serial(self._chip.eeprom) or '0'},{self._meter.version}"

    def _reset(self) -> Seconds:
        meter = self._meter
        meter.shown_text, meter.lamp_modes = None, ["AUTO", "AUTO"]
        meter.set_lamps()
        yield from meter.select("CAP")
        return None

    def _self_test(self) -> Answer:
        count = yield from self._meter.count_gate()
        faults = 1 * (not self._meter.constants_are_good) + 2 * (count < QUIET_COUNT)
        return str(faults + 4 * (self._chip.cause == "WATCHDOG"))

    def _give_serial(self, serial: str) -> None:
        if read_serial(self._chip.eeprom):
            raise ScpiError(-203)
        record = serial_record(serial)
        self._chip.eeprom[: len(record)] = record

    def _show(self, text: str) -> None:
        self._meter.shown_text = text

    def _show_readings(self) -> None:
        self._meter.shown_text = None

    # SENSe, READ, MEASure

    def _sense(self) -> dict[str, Command]:
        meter = self._meter
        return {
            "SENSe:FUNCtion": Command(self._select, (Choice(keywords=("CAPacitance", "INDuctance")),)),
            "SENSe:FUNCtion?": Command(lambda: meter.function),
            "READ?": Command(self._read),
            "FETCh?": Command(lambda: self._reading(meter.value)),
            "MEASure:FREQuency?": Command(self._frequency),
            "MEASure:BATTery?": Command(self._battery),
        }

    def _select(self, function: str) -> Seconds:
        yield from self._meter.select(function)
        return None

    def _reading(self, value: float32) -> str:
        return _special(OVER_RANGE) if self._meter.is_over(value) else _shown(value)

    def _read(self) -> Answer:
        value = yield from self._meter.new_value()
        return self._reading(value)

    def _frequency(self) -> Answer:
        return str((yield from self._meter.count_gate()))

    def _battery(self) -> Answer:
        volts = yield from self._meter.measure_battery()
        return f"{float(volts):.3f}"

    # CALibration

    def _calibration(self) -> dict[str, Command]:
        meter, readings = self._meter, self._meter.readings
        constants = readings.constants
        return {
            "CALibration:ALL?": Command(self._calibrate),
            "CALibration:FREQuency?": Command(self._frequencies),
            "CALibration:TANK?": Command(lambda: ",".join(_shown(value) for value in readings.tank())),
            "CALibration:ZERO?": Command(self._zero),
            "CALibration:CCAL": Command(self._set_ccal, (Number(low=CCAL_RANGE_F[0], high=CCAL_RANGE_F[1]),)),
            "CALibration:CCAL?": Command(lambda: _shown(constants.ccal_f)),
            "CALibration:SCALe": Command(self._set_scale, (Number(low=SCALE_RANGE[0], high=SCALE_RANGE[1]),)),
            "CALibration:SCALe?": Command(lambda: f"{float(constants.scale):.7f}"),
            "CALibration:RELoad": Command(self._set_reload, (Integer(low=RELOAD_RANGE[0], high=RELOAD_RANGE[1]),)),
            "CALibration:RELoad?": Command(lambda: str(constants.reload)),
            "CALibration:STORe": Command(self._store),
            "DIAGnostic:KEYS?": Command(lambda: str(meter.keys_down)),
            "DIAGnostic:PRESses?": Command(self._presses),
        }

    def _calibrate(self) -> Answer:
        is_good = yield from self._meter.calibrate()
        return "0" if is_good else "1"

    def _frequencies(self) -> str:
        readings = self._meter.readings
        if not readings.bare_count:
            return f"{_special(NOT_A_NUMBER)},{_special(NOT_A_NUMBER)}"
        return f"{readings.bare_count},{readings.ccal_count}"

    def _zero(self) -> Answer:
        found = yield from self._meter.zero()
        return _shown(found)

    def _set_ccal(self, value: float) -> None:
        self._meter.readings.constants.ccal_f = float32(value)

    def _set_scale(self, value: float) -> None:
        self._meter.readings.constants.scale = float32(value)

    def _set_reload(self, value: int) -> None:
        self._meter.readings.constants.reload = value
        self._meter.stop_measuring()

    def _store(self) -> Seconds:
        """Bytes are written one after the other: power that fails meanwhile leaves a record with a bad checksum."""
        record, place = constants_record(self._meter.readings.constants), constants_place()
        half = place.start + len(record) // 2
        self._chip.eeprom[place.start : half] = record[: len(record) // 2]
        yield _STORE_S
        self._chip.eeprom[place] = record
        self._meter.constants_are_good = True
        return None

    # DIAGnostic

    def _diagnostic(self) -> dict[str, Command]:
        commands: dict[str, Command] = {}
        for name, pin in (("DIAGnostic:RELay1", PIN_K1), ("DIAGnostic:RELay2", PIN_K2)):
            commands[name] = Command(lambda state, pin=pin: self._set_relay(pin, state), (_SWITCH,))
            commands[name + "?"] = Command(lambda pin=pin: "ON" if self._chip.level(pin) == "high" else "OFF")
        for index, name in enumerate(("DIAGnostic:LAMP1", "DIAGnostic:LAMP2")):
            commands[name] = Command(lambda mode, index=index: self._set_lamp(index, mode), (_LAMP,))
            commands[name + "?"] = Command(lambda index=index: self._meter.lamp_modes[index])
        return commands

    def _set_relay(self, pin: str, state: str) -> Seconds:
        yield from self._meter.set_relay(pin, state == "ON")
        return None

    def _set_lamp(self, index: int, mode: str) -> None:
        self._meter.lamp_modes[index] = mode
        self._meter.set_lamps()

    def _presses(self) -> str:
        presses = ",".join(str(count) for count in self._meter.presses)
        self._meter.presses = [0, 0, 0]
        return presses
