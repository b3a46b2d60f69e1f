"""The serial port over the whole check: what was asked had an answer at once."""

from hil import check


@check(reads="port_repeats", needs="meter", power="any", after="start_time", seconds=0.04)
def test_port(row, meter, judge):
    """A joint that opens now and then loses an answer; the question is asked again, and nothing else shows it."""
    meter.identity()  # firmware that takes no questions has none to repeat, and says so here
    judge(row, float(meter.repeats()))
