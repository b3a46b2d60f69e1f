"""Ccal adjusted from one reference capacitor, then the whole range verified with others, each fitted once."""

from hil import MeterError, check, lc

TRIES = 8


@check(reads="ccal.as_found", needs="meter part", after="zero_c", seconds=1.09)
def test_ccal_as_found(row, meter, fit, part, run_state, judge):
    """Relative error at the part that adjusts."""
    fit(part.name)
    run_state["adjusting_f"] = meter.capacitance_f()
    judge(row, run_state["adjusting_f"] / part.value - 1)


@check(reads="ccal", needs="meter part", after="ccal.as_found", seconds=0.1)
def test_adjust_ccal(row, meter, part, run_state, judge):
    """Closed form from the reading as found; not done when Ccal would have to be what no good capacitor is."""
    ccal_f = lc.adjusted_ccal_f(meter.ccal_f(), part.value, run_state["adjusting_f"])
    if judge(row, ccal_f).verdict == "pass":
        meter.set_ccal(ccal_f)
        meter.store()


@check(reads="ccal.as_left", needs="meter part", after="ccal ccal.as_found", seconds=1.02)
def test_ccal_as_left(row, meter, fit, part, judge):
    """The adjustment took. It says nothing about accuracy; other parts verify that."""
    fit(part.name)
    judge(row, meter.capacitance_f() / part.value - 1)


@check(reads="c_*", needs="meter part", after="calibration zero_c ccal ccal.*", seconds=1.09)
def test_capacitance(row, meter, fit, part, judge):
    fit(part.name)
    judge(row.around(part.value), meter.capacitance_f(), again=meter.capacitance_f)


@check(reads="shown_c_*", needs="meter part", after="calibration zero_c ccal", seconds=2.0)
def test_display_of_capacitance(row, meter, fit, judge):
    """What is shown where the unit changes. Ccal scales every reading, so for a moment it brings the reading there."""
    fit(row.part)
    ccal_f = meter.ccal_f()
    try:
        if "ccal" in row.at:
            meter.set_ccal(row.at["ccal"])
            value_f, shown = meter.reading_and_display("CAP")
        else:
            value_f, shown = _brought_to(row, meter, ccal_f)
    finally:
        meter.set_ccal(ccal_f)
    judge(row, shown, notes=(f"reading {value_f:.6g} F",))


def _brought_to(row, meter, ccal_f):
    low_f, high_f = row.at["above"], row.at["below"]
    value_f = meter.capacitance_f()
    for _ in range(TRIES):
        ccal_f *= (low_f + high_f) / 2 / value_f
        meter.set_ccal(ccal_f)
        value_f, shown = meter.reading_and_display("CAP")
        if low_f < value_f < high_f:
            return value_f, shown
    raise MeterError(f"the reading does not come to rest between {low_f:g} and {high_f:g} F: {value_f:.6g} F")
