"""ELF file → what a programmer writes into an ATmega328P: flash, EEPROM, and the sizes a maker asks for.

Reads the program headers only (System V ABI, ELF-32); avr-gcc puts flash at physical address 0, static memory at
virtual 0x800000 and EEPROM at 0x810000.
"""

import hashlib
import struct
from dataclasses import dataclass

FLASH_SIZE, RAM_SIZE, EEPROM_SIZE = 32 * 1024, 2 * 1024, 1024  # ATmega328P data sheet, "Memories"
EM_AVR, _EF_AVR_MACH, _AVR5 = 83, 0x7F, 5
_PT_LOAD = 1
_RAM_AT, _EEPROM_AT, _FUSES_AT = 0x800000, 0x810000, 0x820000
_HEADER = struct.Struct("<16sHHIIIIIHHHHHH")
_SEGMENT = struct.Struct("<8I")
_MACHINES = {3: "Intel 80386", 40: "ARM", 62: "x86-64", 94: "Xtensa", 183: "AArch64", 243: "RISC-V"}


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareImage:
    """What an ELF file brings.

    Args:
        flash: from address 0, gaps filled with 0xFF.
        flash_bytes: code, constants and initial values, as the programmer reports them.
        ram_bytes: static memory (initialised and zeroed); the stack comes on top.
        eeprom: None when the file has no EEPROM section.
        sha256: of the whole file.
    """

    flash: bytes
    flash_bytes: int
    ram_bytes: int
    eeprom: bytes | None
    sha256: str


def read_elf(data: bytes) -> FirmwareImage:
    """Read an ELF file for the ATmega328P.

    Raises:
        ValueError: it is not one, it is for another machine, damaged, or does not fit; the message says which, and
            what to do.
    """
    if data[:4] != b"\x7fELF":
        what = "empty" if not data else "an Intel HEX file" if data[:1] == b":" else "not an ELF file"
        raise ValueError(f"this is {what}; give the .elf that avr-gcc links (not .hex or .bin)")
    if len(data) < _HEADER.size:
        raise ValueError(f"the ELF header is cut off after {len(data)} bytes; build it again")
    identity, _, machine, _, _, segments_at, _, flags, _, segment_size, segment_count, *_ = _HEADER.unpack_from(data)
    if machine != EM_AVR or identity[4:6] != b"\x01\x01":
        other = _MACHINES.get(machine, f"machine {machine}")
        raise ValueError(f"this ELF is for {other}, the meter has an AVR; build it with avr-gcc -mmcu=atmega328p")
    if flags & _EF_AVR_MACH != _AVR5:
        raise ValueError(
            f"this ELF is for AVR architecture {flags & _EF_AVR_MACH}, the ATmega328P is architecture {_AVR5}; "
            "build it with -mmcu=atmega328p"
        )
    if segment_size != _SEGMENT.size or segments_at + segment_count * segment_size > len(data):
        raise ValueError("the ELF's program headers are damaged; build it again")
    flash, eeprom = bytearray(), bytearray()
    flash_bytes = ram_bytes = 0
    for index in range(segment_count):
        kind, offset, virtual, physical, file_size, memory_size, _, _ = _SEGMENT.unpack_from(
            data, segments_at + index * segment_size
        )
        if kind != _PT_LOAD:
            continue
        if offset + file_size > len(data):
            raise ValueError(f"the ELF is cut off: a segment ends at {offset + file_size} of {len(data)} bytes")
        if _RAM_AT <= virtual < _EEPROM_AT:
            ram_bytes += memory_size
        if not file_size:
            continue
        if physical < _RAM_AT:
            flash_bytes += file_size
            _put(flash, physical, data[offset : offset + file_size], FLASH_SIZE, "flash")
        elif _EEPROM_AT <= physical < _FUSES_AT:
            _put(eeprom, physical - _EEPROM_AT, data[offset : offset + file_size], EEPROM_SIZE, "EEPROM")
    if not flash_bytes:
        raise ValueError("the ELF holds no program; link it with avr-gcc -mmcu=atmega328p")
    if ram_bytes > RAM_SIZE:
        raise ValueError(
            f"static memory is {ram_bytes} bytes, the ATmega328P has {RAM_SIZE}: {ram_bytes - RAM_SIZE} too many"
        )
    return FirmwareImage(
        flash=bytes(flash),
        flash_bytes=flash_bytes,
        ram_bytes=ram_bytes,
        eeprom=bytes(eeprom) if eeprom else None,
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _put(memory: bytearray, at: int, content: bytes, size: int, name: str) -> None:
    end = at + len(content)
    if end > size:
        raise ValueError(f"{name} ends at byte {end}, the ATmega328P has {size}: {end - size} too many")
    memory.extend(b"\xff" * (end - len(memory)))
    memory[at:end] = content
