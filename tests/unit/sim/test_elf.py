"""What an ELF file brings, and whole sentences for files that cannot be used."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from hil.sim.elf import read_elf

avr = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[2] / "avr_code.py")))
FIRMWARE = Path(__file__).parents[3] / "fixtures" / "firmware" / "qm2.elf"


def test_sizes_and_content():
    image = read_elf(avr.elf(b"\x12\x34" * 10, ram=300, eeprom=b"QM"))
    assert (image.flash_bytes, image.ram_bytes, image.eeprom) == (20, 300, b"QM")
    assert image.flash == b"\x12\x34" * 10


def test_gaps_are_erased_flash():
    assert read_elf(avr.elf(b"\x01\x02", at=4)).flash == b"\xff\xff\xff\xff\x01\x02"


def test_reference_firmware_fits():
    image = read_elf(FIRMWARE.read_bytes())
    assert 10_000 < image.flash_bytes < 20_000
    assert image.ram_bytes < 700
    assert len(image.sha256) == 64


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "this is empty; give the .elf that avr-gcc links (not .hex or .bin)"),
        (b":100000000C94", "this is an Intel HEX file; give the .elf that avr-gcc links (not .hex or .bin)"),
        (b"MZ\x90\x00", "this is not an ELF file; give the .elf that avr-gcc links (not .hex or .bin)"),
        (b"\x7fELF\x01\x01", "the ELF header is cut off after 6 bytes; build it again"),
        (
            avr.elf(b"\0\0", machine=40),
            "this ELF is for ARM, the meter has an AVR; build it with avr-gcc -mmcu=atmega328p",
        ),
        (
            avr.elf(b"\0\0", machine=999),
            "this ELF is for machine 999, the meter has an AVR; build it with avr-gcc -mmcu=atmega328p",
        ),
        (
            avr.elf(b"\0\0", flags=6),
            "this ELF is for AVR architecture 6, the ATmega328P is architecture 5; build it with -mmcu=atmega328p",
        ),
        (avr.elf(bytes(32770)), "flash ends at byte 32770, the ATmega328P has 32768: 2 too many"),
        (avr.elf(b"\0\0", ram=2049), "static memory is 2049 bytes, the ATmega328P has 2048: 1 too many"),
        (avr.elf(b"\0\0", eeprom=bytes(1025)), "EEPROM ends at byte 1025, the ATmega328P has 1024: 1 too many"),
        (avr.elf(b""), "the ELF holds no program; link it with avr-gcc -mmcu=atmega328p"),
        (avr.elf(b"\0" * 100)[:-10], "the ELF is cut off: a segment ends at 184 of 174 bytes"),
        (avr.elf(b"\0\0")[:60], "the ELF's program headers are damaged; build it again"),
    ],
)
def test_files_that_cannot_be_used(data, sentence):
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the whole sentence is compared
        read_elf(data)
    assert str(caught.value) == sentence
