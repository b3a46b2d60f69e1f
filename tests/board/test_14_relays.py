"""Both relays: how they are driven, what they do to the oscillator, and that they let go again."""

from hil import check


@check(reads="k1_drive_* k2_drive_*", needs="voltmeter supply meter", after="current_*", seconds=0.2)
def test_drive(row, meter, probe, voltmeter, judge):
    number = int(row.at["relay"])
    probe(row.at["point"])
    meter.relay(number, row.at["on"])
    voltage_v = voltmeter.voltage_v()
    meter.relay(number, False)
    judge(row, voltage_v)


@check(reads="k1_stops", needs="meter", after="f_open current_k1 k1_drive_*", seconds=1.2)
def test_k1_selects_inductance(row, meter, fit, judge):
    """Open terminals stand in series with L1 then: nothing oscillates."""
    fit("open")
    meter.relay(1, True)
    frequency_hz = meter.frequency_hz()
    meter.relay(1, False)
    judge(row, frequency_hz)


@check(reads="k1_returns k2_returns", needs="meter", after="f_open k1_stops", seconds=2.3)
def test_relay_lets_go(row, meter, fit, judge):
    fit("open")
    before_hz = meter.frequency_hz()
    meter.relay(int(row.at["relay"]), True)
    meter.relay(int(row.at["relay"]), False)
    judge(row, meter.frequency_hz() / before_hz - 1)
