"""The unit is what it is taken for. A blank unit is given its serial number here, for ever."""

from hil import BenchError, check


@check(reads="model", needs="meter", after="start_time", seconds=0.015)
def test_model(row, meter, judge):
    found = meter.identity()
    judge(row, f"{found.maker} {found.model}")


@check(reads="serial_number", needs="meter", after="start_time model", seconds=0.04)
def test_serial_number(row, meter, serial, run_state, judge):
    notes = ()
    if meter.identity().serial == "0":
        if run_state.get("number_taken"):
            raise BenchError(run_state["number_taken"])
        meter.give_serial(serial)
        notes = ("the unit was blank and was given its serial number",)
    found = meter.identity().serial
    judge(row, found == serial, raw=(found,), notes=(*notes, f"the unit says {found}"))


@check(reads="firmware_version", needs="meter", after="start_time", seconds=0.015)
def test_firmware_version(row, meter, facts, judge):
    """Recorded, and new enough for the limits that follow."""
    version = meter.identity().firmware
    facts["firmware_version"] = version
    judge(row, _parts(version) >= _parts(row.at["least"]), raw=(version,), notes=(f"version {version}",))


def _parts(version):
    numbers = version.split(".")
    return tuple(int(number) for number in numbers) if all(number.isdecimal() for number in numbers) else ()
