"""The jig before the unit: needles that touch, a room at the temperature the reference parts are meant for.

Neither says anything about the unit, so neither can fail it: what is wrong here is trouble of the bench.
"""

from hil import BenchError, check


@check(reads="contact_*", needs="voltmeter", power="off", seconds=0.13)
def test_contact(row, probe, voltmeter, judge):
    """Each test point is touched by two needles; from one to the other there is a little resistance, or no contact."""
    point = row.at["point"]
    probe(f"{point}:{point}")
    resistance_ohm = voltmeter.resistance_ohm()
    if not resistance_ohm <= row.upper:
        found = f"{resistance_ohm:g} ohm" if resistance_ohm < 1e9 else "open"
        raise BenchError(
            f"{point}: the needles of the jig do not touch ({found}, at most {row.upper:g} ohm). "
            "Clean needle and test point, seat the unit again, and repeat the check."
        )
    judge(row, resistance_ohm)


@check(reads="room_temperature", needs="thermometer", power="off", seconds=0.05)
def test_room(row, thermometer, facts, judge):
    temperature_degc = thermometer.temperature_degc()
    if not row.lower <= temperature_degc <= row.upper:
        raise BenchError(
            f"{temperature_degc:.1f} degC at the jig; the reference parts are certified for {row.lower:g} to "
            f"{row.upper:g} degC. Let the room come to its temperature, then repeat the check."
        )
    facts["temperature_degc"] = f"{temperature_degc:.2f}"
    judge(row, temperature_degc)
