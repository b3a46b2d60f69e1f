"""The meter starts by itself when power comes, for that reason, and finds itself in order."""

from hil import check


@check(reads="start_time", needs="supply meter", power="off", after="rail_* programmed", seconds=1.23)
def test_start(row, power, meter, judge):
    power.on()
    judge(row, meter.uptime_s())


@check(reads="start_cause", needs="meter", after="start_time", seconds=0.01)
def test_cause(row, meter, judge):
    judge(row, meter.cause())


@check(reads="self_test", needs="meter", after="start_time", seconds=1.05)
def test_self_test(row, meter, fit, judge):
    fit("open")
    result = meter.self_test()
    found = [text for bit, text in ((1, "stored constants"), (2, "no oscillation"), (4, "watchdog")) if result & bit]
    judge(row, float(result), notes=(", ".join(found),) if found else ())
