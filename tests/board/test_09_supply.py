"""What the running meter takes from the pack, and that the rails hold when it takes most."""

from hil import check

RELAYS = {"idle": (), "k1": (1,), "k2": (2,), "both": (1, 2)}


def _switch(meter, on):
    for number in (1, 2):
        meter.relay(number, number in on)


@check(reads="current_*", needs="supply meter", after="first_* start_time", seconds=0.1)
def test_current(row, meter, supply, judge):
    _switch(meter, RELAYS[row.at["relays"]])
    current_a = supply.current_a()
    _switch(meter, ())
    judge(row, current_a)


@check(reads="protection_drop", needs="supply voltmeter meter", after="first_* start_time", seconds=0.25)
def test_protection(row, meter, supply, probe, voltmeter, judge):
    """What fuse, protection and switch take when the current is largest: too little when one of them is bridged."""
    probe(row.at["point"])
    _switch(meter, RELAYS["both"])
    drop_v = supply.voltage_v() - voltmeter.voltage_v()
    _switch(meter, ())
    judge(row, drop_v)


@check(reads="loaded_*", needs="supply voltmeter meter", power="any", after="rail_* current_*", seconds=0.34)
def test_loaded_rail(row, power, meter, probe, voltmeter, judge):
    power.on(row.at["pack"])
    probe(row.at["point"])
    _switch(meter, RELAYS["both"])
    voltage_v = voltmeter.voltage_v()
    _switch(meter, ())
    judge(row, voltage_v)
