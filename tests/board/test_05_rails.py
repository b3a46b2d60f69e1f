"""Both rails from an empty to a full pack, what the 5 V regulator needs, and the reset line that hangs on it."""

from hil import check


@check(reads="rail_5v_* rail_3v_*", needs="supply voltmeter", power="any", after="first_*", seconds=0.17)
def test_rail(row, power, probe, voltmeter, judge):
    power.on(row.at["pack"])
    probe(row.at["point"])
    judge(row, voltmeter.voltage_v(), again=voltmeter.voltage_v)


@check(reads="reset_level", needs="supply voltmeter", power="any", after="first_*", seconds=0.17)
def test_reset(row, power, probe, voltmeter, judge):
    power.on()
    probe(row.at["point"])
    judge(row, voltmeter.voltage_v())


@check(reads="dropout", needs="supply voltmeter", power="any", after="rail_5v_*", seconds=0.22)
def test_dropout(row, power, probe, voltmeter, judge):
    """A pack so low that the regulator passes on all it gets: from its input to its output."""
    power.on(row.at["pack"])
    probe(row.at["between"])
    judge(row, voltmeter.voltage_v())
