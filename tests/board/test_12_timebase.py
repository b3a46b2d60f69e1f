"""The timebase against a reference frequency that reaches T0 past the comparator: as found, trimmed, as left."""

import pytest

from hil import check, lc

GATES = 4
AMPLITUDE_V = 5.0
PAUSE_S = 1.2345e-3


@pytest.fixture
def reference(row, meter, generator, probe):
    """Connected and switched on while the check runs; T0 belongs to the oscillator again afterwards."""
    probe("TP_T0")
    generator.square(row.at["reference"], AMPLITUDE_V)
    yield row.at["reference"]
    generator.off()
    probe("GND")


@check(reads="timebase.as_found", needs="generator meter", after="self_test", seconds=1.23)
def test_as_found(row, reference, meter, run_state, judge):
    run_state["indicated"] = (reference, meter.frequency_hz())
    judge(row, run_state["indicated"][1] / reference - 1)


@check(reads="timebase.reload", needs="meter", after="timebase.as_found", seconds=0.11)
def test_trim(row, meter, run_state, judge):
    """Closed form, from one reading; what is left is what whole steps of 16 ppm cannot reach."""
    reference_hz, indicated_hz = run_state["indicated"]
    reload = meter.reload()
    run_state["untrimmed"] = indicated_hz / reference_hz * lc.RELOAD / reload - 1
    trim = lc.trim(reload, reference_hz, indicated_hz)
    reading = judge(row, float(trim.reload - lc.RELOAD), notes=(f"reachable residue {trim.residue * 1e6:+.2f} ppm",))
    if reading.verdict == "pass":
        meter.set_reload(trim.reload)
        meter.store()
        run_state["residue"] = trim.residue


@check(reads="timebase.crystal", needs="meter", after="timebase.reload", seconds=0.0)
def test_crystal(row, run_state, judge):
    """As it would be without any trim: an earlier one must not hide a wrong load capacitor."""
    judge(row, run_state["untrimmed"])


@check(reads="timebase.as_left", needs="generator meter", after="timebase.reload", seconds=GATES + 0.15)
def test_as_left(row, reference, meter, clock, run_state, judge):
    """The pauses share no measure with the 16 µs of a prescaler that runs on, which would always look the same."""
    errors = []
    for gate in range(GATES):
        clock.sleep(PAUSE_S * gate)
        errors.append(meter.frequency_hz() / reference - 1)
    errors = tuple(errors)
    run_state["errors"] = errors
    judge(row, sum(errors) / GATES, repeats=errors, notes=(f"reachable residue {run_state['residue'] * 1e6:+.2f} ppm",))


@check(reads="timebase.unreached", needs="meter", after="timebase.as_left", seconds=0.0)
def test_residue_reached(row, run_state, judge):
    """A gate that does not follow its reload is no timebase, even when it happens to be right."""
    left = tuple(error - run_state["residue"] for error in run_state["errors"])
    judge(row, sum(left) / GATES, repeats=left)


@check(reads="timebase.jitter", needs="meter", after="timebase.as_left", seconds=0.0)
def test_jitter(row, run_state, judge):
    """From gate to gate; without a reset of the prescaler at gate start it would be a whole step."""
    judge(row, max(run_state["errors"]) - min(run_state["errors"]))
