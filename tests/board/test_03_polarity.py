"""Wrong polarity, at a current that harms nothing even when the protection is missing."""

from hil import check

LIMIT_A = 0.010


@check(reads="reverse_*", needs="supply voltmeter", power="off", after="contact_* r_pack r_5v r_3v", seconds=0.35)
def test_wrong_polarity(row, supply, probe, voltmeter, clock, judge):
    if row.unit == "V":
        probe(row.at["point"])
    supply.set(row.at["pack"], LIMIT_A)
    supply.on()
    try:
        clock.sleep(0.05)
        value = abs(supply.current_a()) if row.unit == "A" else voltmeter.voltage_v()
    finally:
        supply.off()
        supply.set(0.0, LIMIT_A)
    judge(row, value)
