"""Zero of inductance; its scale adjusted from one reference inductor; the whole range verified with others."""

from hil import MeterError, check, lc

TRIES = 8


def _read_against(part, meter, fit):
    """Reference, reading, and a note: the reference is what the part shows at the frequency of the reading.

    Its own capacitance makes a coil look larger there than where it was certified.
    """
    fit(part.name)
    indicated_h = meter.inductance_h()
    bare_hz, _ = meter.calibration_hz()
    unscaled_h = max(indicated_h, 0.0) / meter.scale()  # the scale changes what is shown, not what oscillates
    frequency_hz = bare_hz / (1 + unscaled_h / meter.tank().inductance_h) ** 0.5
    reference_h = part.value
    if part.self_resonance_hz is not None and part.frequency_hz is not None:
        reference_h = lc.apparent_inductance_h(reference_h, part.frequency_hz, frequency_hz, part.self_resonance_hz)
    return reference_h, indicated_h, f"read at {frequency_hz:.0f} Hz"


@check(reads="short_c short_c_shown", needs="meter", after="calibration", seconds=1.07)
def test_shorted_terminals(row, meter, fit, judge):
    """A short across the tank: no oscillation, and the display says so."""
    fit("short")
    meter.function("CAP")
    judge(row, meter.frequency_hz() if row.is_numeric else meter.reading_and_display("CAP")[1])


@check(reads="zero_l_found", needs="meter", after="calibration", seconds=1.03)
def test_zero(row, meter, fit, judge):
    fit("short")
    meter.function("IND")
    judge(row, meter.zero())


@check(reads="zero_l", needs="meter", after="zero_l_found", seconds=1.02)
def test_residual_zero(row, meter, judge):
    judge(row, meter.inductance_h())


@check(reads="scale.as_found", needs="meter part", after="zero_l", seconds=1.1)
def test_scale_as_found(row, meter, fit, part, run_state, judge):
    """Relative error at the part that adjusts."""
    run_state["adjusting_h"] = _read_against(part, meter, fit)
    reference_h, indicated_h, note = run_state["adjusting_h"]
    judge(row, indicated_h / reference_h - 1, notes=(note,))


@check(reads="scale", needs="meter part", after="scale.as_found", seconds=0.1)
def test_adjust_scale(row, meter, run_state, judge):
    """Closed form from the reading as found; not done when the scale would have to be what no good tank needs."""
    reference_h, indicated_h, _ = run_state["adjusting_h"]
    scale = lc.adjusted_scale(meter.scale(), reference_h, indicated_h)
    if judge(row, scale).verdict == "pass":
        meter.set_scale(scale)
        meter.store()


@check(reads="scale.as_left", needs="meter part", after="scale scale.as_found", seconds=1.04)
def test_scale_as_left(row, meter, fit, part, judge):
    """The adjustment took. It says nothing about accuracy; other parts verify that."""
    reference_h, indicated_h, note = _read_against(part, meter, fit)
    judge(row, indicated_h / reference_h - 1, notes=(note,))


@check(reads="l_*", needs="meter part", after="calibration zero_l scale scale.*", seconds=1.1)
def test_inductance(row, meter, fit, part, run_state, judge):
    reference_h, indicated_h, note = _read_against(part, meter, fit)
    run_state[f"{row.name}_error"] = indicated_h / reference_h - 1
    judge(row.around(reference_h), indicated_h, notes=(note,), again=meter.inductance_h)


@check(reads="usual_l_100m", needs="meter part", after="l_100m", seconds=0.0)
def test_usual_error(row, run_state, judge):
    """Where the tank is at its highest impedance a wrong feedback resistor shows, long before the specification."""
    judge(row, run_state["l_100m_error"])


@check(reads="shown_l_*", needs="meter part", after="calibration zero_l scale", seconds=2.0)
def test_display_of_inductance(row, meter, fit, judge):
    """What is shown where the unit changes. For a moment the scale brings the reading there."""
    fit(row.part)
    scale = meter.scale()
    try:
        if "scale" in row.at:
            meter.set_scale(row.at["scale"])
            value_h, shown = meter.reading_and_display("IND")
        else:
            value_h, shown = _brought_to(row, meter, scale)
    finally:
        meter.set_scale(scale)
    judge(row, shown, notes=(f"reading {value_h:.6g} H",))


def _brought_to(row, meter, scale):
    low_h, high_h = row.at["above"], row.at["below"]
    value_h = meter.inductance_h()
    for _ in range(TRIES):
        scale *= (low_h + high_h) / 2 / value_h
        meter.set_scale(scale)
        value_h, shown = meter.reading_and_display("IND")
        if low_h < value_h < high_h:
            return value_h, shown
    raise MeterError(f"the reading does not come to rest between {low_h:g} and {high_h:g} H: {value_h:.6g} H")
