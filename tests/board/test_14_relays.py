"""Both relays: how they are driven, and what K1 does to the oscillator (what K2 does is f_ccal)."""

from hil import check


@check(reads="k1_drive_* k2_drive_*", needs="voltmeter supply meter", after="start_time", seconds=0.12)
def test_drive(row, meter, probe, voltmeter, run_state, judge):
    number = int(row.at["relay"])
    probe(row.at["point"])
    meter.relay(number, row.at["on"])
    run_state[f"{row.name}_v"] = voltmeter.voltage_v()
    meter.relay(number, False)
    judge(row, run_state[f"{row.name}_v"])


@check(reads="k1_saturation", needs="voltmeter", after="r_k1 k1_drive_on", seconds=0.0)
def test_saturation(row, run_state, judge):
    """What the base current leaves of the drive's voltage, with the current of the coil taken out of it.

    In saturation the voltage goes about as the root of the collector current (transport model, with gain and
    current as here), so that a coil within its tolerance does not hide a wrong base resistor.
    """
    coil_ohm = run_state["r_k1_ohm"]
    judge(row, run_state["k1_drive_on_v"] * (coil_ohm / row.at["coil"]) ** 0.5)


@check(reads="k1_stops", needs="meter", after="f_open", seconds=1.07)
def test_k1_selects_inductance(row, meter, fit, judge):
    """Open terminals stand in series with L1 then: nothing oscillates."""
    fit("open")
    meter.relay(1, True)
    frequency_hz = meter.frequency_hz()
    meter.relay(1, False)
    judge(row, frequency_hz)
