"""What the meter keeps when the power is off: serial number and three constants in 64 bytes of EEPROM.

Two records, each with its own checksum (CRC-16 with polynomial 0x1021, as in ITU-T V.41), so that storing constants
cannot lose the serial number::

    0   magic 0x51 0x4D, serial number, 15 bytes filled with 0, CRC-16
    32  magic 0x43 0x31, Ccal (float32), inductance scale (float32), reload (uint16), CRC-16

All little endian. An erased EEPROM is 0xFF throughout.
"""

import binascii
import struct
from dataclasses import dataclass, field

from numpy import float32

EEPROM_SIZE = 64
_SERIAL, _SERIAL_MAGIC = struct.Struct("<2s15sH"), b"QM"
_CONSTANTS, _CONSTANTS_MAGIC = struct.Struct("<2sffHH"), b"C1"
_CONSTANTS_AT = 32

CCAL_RANGE_F = (1.0e-9, 1.4e-9)
SCALE_RANGE = (0.8, 1.2)
RELOAD_RANGE = (62_000, 63_000)


@dataclass(slots=True)
class Constants:
    """The adjustable constants as the firmware holds them in memory."""

    ccal_f: float32 = field(default_factory=lambda: float32(1.2e-9))
    scale: float32 = field(default_factory=lambda: float32(1.0))
    reload: int = 62_500


def erased() -> bytearray:
    """EEPROM as it comes from the factory."""
    return bytearray(b"\xff" * EEPROM_SIZE)


def _sealed(record: bytes) -> bytes:
    return record[:-2] + struct.pack("<H", binascii.crc_hqx(record[:-2], 0xFFFF))


def _is_whole(record: bytes, magic: bytes) -> bool:
    return record[:2] == magic and _sealed(record) == record


def read_serial(eeprom: bytearray) -> str:
    """Stored serial number, "" on a blank unit."""
    record = bytes(eeprom[: _SERIAL.size])
    return _SERIAL.unpack(record)[1].rstrip(b"\0").decode("ascii") if _is_whole(record, _SERIAL_MAGIC) else ""


def serial_record(serial: str) -> bytes:
    """Bytes to be written at 0."""
    return _sealed(_SERIAL.pack(_SERIAL_MAGIC, serial.encode("ascii"), 0))


def read_constants(eeprom: bytearray) -> tuple[Constants, bool]:
    """Stored constants and whether their checksum is good; never stored ones are the defaults, and good."""
    record = bytes(eeprom[_CONSTANTS_AT : _CONSTANTS_AT + _CONSTANTS.size])
    if record == b"\xff" * _CONSTANTS.size:
        return Constants(), True
    if not _is_whole(record, _CONSTANTS_MAGIC):
        return Constants(), False
    _, ccal_f, scale, reload, _ = _CONSTANTS.unpack(record)
    return Constants(float32(ccal_f), float32(scale), reload), True


def constants_record(constants: Constants) -> bytes:
    """Bytes to be written at `constants_place`."""
    packed = _CONSTANTS.pack(_CONSTANTS_MAGIC, float(constants.ccal_f), float(constants.scale), constants.reload, 0)
    return _sealed(packed)


def constants_place() -> slice:
    """Where the record of the constants stands."""
    return slice(_CONSTANTS_AT, _CONSTANTS_AT + _CONSTANTS.size)
