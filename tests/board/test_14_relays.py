"""Both relays: how they are driven, and what K1 does to the oscillator (what K2 does is f_ccal)."""

from hil import check


@check(reads="k1_drive_* k2_drive_*", needs="voltmeter supply meter", after="start_time", seconds=0.12)
def test_drive(row, meter, probe, voltmeter, judge):
    number = int(row.at["relay"])
    probe(row.at["point"])
    meter.relay(number, row.at["on"])
    voltage_v = voltmeter.voltage_v()
    meter.relay(number, False)
    judge(row, voltage_v)


@check(reads="k1_stops", needs="meter", after="f_open", seconds=1.07)
def test_k1_selects_inductance(row, meter, fit, judge):
    """Open terminals stand in series with L1 then: nothing oscillates."""
    fit("open")
    meter.relay(1, True)
    frequency_hz = meter.frequency_hz()
    meter.relay(1, False)
    judge(row, frequency_hz)
