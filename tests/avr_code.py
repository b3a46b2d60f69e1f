"""Tiny programs for the ATmega328P, put together by hand, and ELF files around them."""

import struct


def ldi(register: int, value: int) -> int:
    return 0xE000 | (value & 0xF0) << 4 | (register - 16) << 4 | value & 0x0F


def sts(address: int, register: int) -> tuple[int, int]:
    return 0x9200 | register << 4, address


def lds(register: int, address: int) -> tuple[int, int]:
    return 0x9000 | register << 4, address


def sbrs(register: int, bit: int) -> int:
    return 0xFE00 | register << 4 | bit


def sbrc(register: int, bit: int) -> int:
    return 0xFC00 | register << 4 | bit


def rjmp(words: int) -> int:
    """To the instruction so many words after the next one."""
    return 0xC000 | words & 0xFFF


def program(*parts: int | tuple[int, int]) -> bytes:
    words = [word for part in parts for word in (part if isinstance(part, tuple) else (part,))]
    return b"".join(struct.pack("<H", word) for word in words)


DDRB, PINB, PB0 = 0x24, 0x23, 0x01


def toggling(
    setup: list[tuple[int, int]], flag: tuple[int, int], then: list[tuple[int, int]], *, is_low: bool = False
) -> bytes:
    """Sets registers up; whenever the flag (register, bit) is set, writes registers and toggles PB0."""
    register, bit = flag
    start = [part for address, value in ((DDRB, PB0), *setup) for part in (ldi(17, value), sts(address, 17))]
    wait = [lds(18, register), (sbrc if is_low else sbrs)(18, bit), rjmp(-4)]
    act = [part for address, value in ((PINB, PB0), *then) for part in (ldi(17, value), sts(address, 17))]
    return program(*start, *wait, *act, rjmp(-(4 + 3 * (1 + len(then)) + 1)))


UCSR0A, UCSR0B, UBRR0L, UDR0, WDTCSR = 0xC0, 0xC1, 0xC4, 0xC6, 0x60

NEVER_ANSWERS = program(rjmp(-1))
RUNS_AWAY = program(rjmp(0x400))  # into flash that was never written, and on to its end
RESETS_FOR_EVER = program(ldi(16, 0x18), sts(WDTCSR, 16), ldi(16, 0x08), sts(WDTCSR, 16), rjmp(-1))
FLOODS = program(
    ldi(16, 25), sts(UBRR0L, 16), ldi(16, 0x08), sts(UCSR0B, 16), ldi(16, ord("U")),
    lds(17, UCSR0A), sbrs(17, 5), rjmp(-4), sts(UDR0, 16), rjmp(-7),
)  # fmt: skip


def elf(flash: bytes, *, machine: int = 83, flags: int = 5, ram: int = 0, at: int = 0, eeprom: bytes = b"") -> bytes:
    """An ELF-32 file with the program at `at`, so many bytes of zeroed memory, and EEPROM content."""
    segments = [(at, at, flash, len(flash))]
    if ram:
        segments.append((0x800100, 0x800100, b"", ram))
    if eeprom:
        segments.append((0x810000, 0x810000, eeprom, len(eeprom)))
    offset = 52 + 32 * len(segments)
    headers, content = b"", b""
    for virtual, physical, data, size in segments:
        headers += struct.pack("<8I", 1, offset + len(content), virtual, physical, len(data), size, 5, 1)
        content += data
    identity = b"\x7fELF\x01\x01\x01" + bytes(9)
    head = struct.pack("<16sHHIIIIIHHHHHH", identity, 2, machine, 1, at, 52, 0, flags, 52, 32, len(segments), 0, 0, 0)
    return head + headers + content
