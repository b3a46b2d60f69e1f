"""Power for the first time: with a current limit that a short on a rail runs into, and off again when it does."""

from hil import check

LIMIT_A = 0.060  # above what any firmware takes with both relays at rest, far below what a short takes


@check(reads="first_*", needs="supply", power="any", after="contact_* r_pack r_5v r_3v reverse_*", seconds=0.4)
def test_first_power(row, power, supply, judge):
    power.on(limit_a=LIMIT_A)
    reading = judge(row, supply.in_current_limit() if row.expected is not None else supply.current_a())
    if reading.verdict != "pass":
        power.off()
