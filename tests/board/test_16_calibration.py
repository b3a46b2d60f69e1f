"""The meter's own calibration with open terminals, its arithmetic, and its zero of capacitance."""

from hil import MeterError, check, lc


@check(reads="calibration", needs="meter", after="self_test", seconds=2.06)
def test_calibration(row, meter, fit, run_state, judge):
    fit("open")
    meter.reset()
    judge(row, meter.calibrate())
    run_state["calibration_hz"] = meter.calibration_hz()


@check(reads="calibration_c1 calibration_l1", needs="meter", after="calibration", seconds=0.02)
def test_calibration_arithmetic(row, meter, run_state, judge):
    """What the firmware derives in 32-bit floats, against the same in 64 bits."""
    found, ccal_f = meter.tank(), meter.ccal_f()
    if not ccal_f > 0:
        raise MeterError(f"the meter's Ccal is {ccal_f:g} F: nothing can be derived from it")
    expected = lc.tank(*run_state["calibration_hz"], ccal_f)
    if row.name == "calibration_c1":
        judge(row, found.capacitance_f / expected.capacitance_f - 1)
    else:
        judge(row, found.inductance_h / expected.inductance_h - 1)


@check(reads="open_l open_l_shown", needs="meter", after="calibration", seconds=1.08)
def test_open_terminals(row, meter, fit, judge):
    """Nothing in series with L1: no oscillation, and the display says so."""
    fit("open")
    meter.function("IND")
    value, shown = (meter.frequency_hz(), "") if row.is_numeric else meter.reading_and_display("IND")
    meter.function("CAP")
    judge(row, value if row.is_numeric else shown)


@check(reads="zero_c_found", needs="meter", after="calibration", seconds=1.03)
def test_zero(row, meter, fit, judge):
    fit("open")
    meter.function("CAP")
    judge(row, meter.zero())


@check(reads="zero_c", needs="meter", after="calibration ~zero_c_found", seconds=1.02)
def test_residual_zero(row, meter, judge):
    judge(row, meter.capacitance_f())
