"""What the meter stores."""

from numpy import float32

from hil.sim.meter_constants import (
    Constants,
    constants_place,
    constants_record,
    erased,
    read_constants,
    read_serial,
    serial_record,
)


def test_an_erased_memory_gives_the_nominal_constants_and_no_complaint() -> None:
    constants, is_good = read_constants(erased())
    assert is_good
    assert (constants.ccal_f, constants.scale, constants.reload) == (float32(1.2e-9), float32(1), 62_500)
    assert read_serial(erased()) == ""


def test_what_is_written_is_read() -> None:
    eeprom = erased()
    eeprom[constants_place()] = constants_record(Constants(float32(1.19e-9), float32(1.01), 62_503))
    record = serial_record("QM2-000000017")
    eeprom[: len(record)] = record
    constants, is_good = read_constants(eeprom)
    assert is_good
    assert (constants.ccal_f, constants.scale, constants.reload) == (float32(1.19e-9), float32(1.01), 62_503)
    assert read_serial(eeprom) == "QM2-000000017"


def test_any_flipped_bit_is_noticed() -> None:
    good = erased()
    good[constants_place()] = constants_record(Constants())
    for bit in range(8 * (constants_place().stop - constants_place().start)):
        eeprom = bytearray(good)
        eeprom[constants_place().start + bit // 8] ^= 1 << bit % 8
        assert not read_constants(eeprom)[1], bit


def test_the_records_do_not_overlap() -> None:
    assert len(serial_record("X" * 15)) <= constants_place().start
    assert constants_place().stop <= len(erased())
