"""The battery monitor over the range of the pack, and its two levels with the hysteresis between them."""

from hil import check

DROP_V = 0.055  # fuse and protection at 35 mA: 1.58 ohm, from the netlist
WAIT_S = 0.3  # the meter looks at the pack every 0.25 s


@check(reads="battery_at_*", needs="supply voltmeter meter", power="any", after="start_time", seconds=0.16)
def test_battery(row, power, probe, voltmeter, meter, judge):
    """Against the voltmeter where the divider is connected."""
    power.on(row.at["pack"])
    probe("TP_PACK")
    pack_v = voltmeter.voltage_v()
    judge(row.around(pack_v), meter.battery_v())


@check(reads="battery_outside_*", needs="supply meter", power="any", after="start_time", seconds=0.14)
def test_battery_from_outside(row, power, supply, meter, judge):
    """Against the supply, without a test point: fuse and protection take their share."""
    power.on(row.at["pack"])
    pack_v = supply.voltage_v() - DROP_V
    judge(row.around(pack_v), meter.battery_v())


@check(reads="lamp_*_pack", needs="supply meter operator", power="any", after="start_time", seconds=2.3)
def test_pack_level(row, power, clock, operator, judge):
    """The pack comes from well above or well below; which lamp is lit then?"""
    for pack_v in (row.at["from"], row.at["pack"]):
        power.on(pack_v + DROP_V)
        clock.sleep(WAIT_S)
    judge(row, operator.lamp_is_lit(row.at["lamp"]))
