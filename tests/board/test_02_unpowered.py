"""Resistances of the unpowered board: shorts before there is power, wrong parts that frequency and rails would hide."""

from hil import check


@check(reads="r_*", needs="voltmeter", power="off", after="contact_*", seconds=0.13)
def test_resistance(row, probe, voltmeter, run_state, judge):
    probe(row.at["between"])
    run_state[f"{row.name}_ohm"] = voltmeter.resistance_ohm()
    judge(row, run_state[f"{row.name}_ohm"])
