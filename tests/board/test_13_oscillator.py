"""The oscillator: its frequencies, what they say about L1 and C1, its averages, and how steady it is."""

import statistics

from hil import check, lc

GATES = 5
WARM_UP_S = 20.0
LOOK_S = 0.35  # an intermittent joint that is open as long is not missed (assumption, no source)


def _ratio(value, reference):
    """NaN, which fails, where there is nothing to compare with: an oscillator that stops, a rail that is gone."""
    return value / reference if reference else float("nan")


@check(reads="f_open", needs="meter", after="self_test timebase.*", seconds=1.02)
def test_free_running(row, meter, fit, run_state, judge):
    fit("open")
    run_state["f_open_hz"] = meter.frequency_hz()
    judge(row, run_state["f_open_hz"])


@check(reads="f_ccal", needs="meter", after="f_open", seconds=1.07)
def test_with_ccal(row, meter, run_state, judge):
    meter.relay(2, True)
    run_state["f_ccal_hz"] = meter.frequency_hz()
    meter.relay(2, False)
    judge(row, run_state["f_ccal_hz"])


@check(reads="c1 l1", needs="meter", after="f_open f_ccal", seconds=0.0)
def test_tank(row, meter, run_state, judge):
    """Derived with the nominal Ccal, so that nothing adjusted can hide a wrong part."""
    tank = lc.tank(run_state["f_open_hz"], run_state["f_ccal_hz"], row.at["ccal"])
    judge(row, tank.capacitance_f if row.unit == "F" else tank.inductance_h)


@check(reads="f_counter", needs="meter counter", after="f_open timebase.*", seconds=2.08)
def test_against_counter(row, meter, counter, probe, judge):
    """The probe loads the comparator's output while both count."""
    probe("TP_COMP")
    meter_hz, counter_hz = meter.frequency_hz(), counter.frequency_hz()
    judge(row, _ratio(meter_hz, counter_hz) - 1)


@check(reads="*_average", needs="voltmeter supply meter", after="f_open", seconds=0.2)
def test_average(row, probe, voltmeter, judge):
    """Averages show a wrong resistor, which the frequency hides; relative to what they follow: the rail, the output."""
    probe(row.at["point"])
    average_v = voltmeter.voltage_v()
    probe(row.at["of"])
    judge(row, _ratio(average_v, voltmeter.voltage_v()))


@check(reads="average_difference", needs="voltmeter supply meter", after="f_open", seconds=0.1)
def test_average_difference(row, probe, voltmeter, judge):
    """Output and input average the same signal; only the comparator's input current makes a difference."""
    probe(row.at["between"])
    judge(row, voltmeter.voltage_v())


@check(reads="f_repeatability", needs="meter", after="f_open", seconds=GATES + 0.04)
def test_repeatability(row, meter, judge):
    readings = tuple(meter.frequency_hz() for _ in range(GATES))
    judge(row, _ratio(statistics.stdev(readings), statistics.fmean(readings)), repeats=readings)


@check(reads="f_supply_*", needs="meter supply", power="any", after="f_open", seconds=2.23)
def test_supply_sensitivity(row, power, meter, judge):
    power.on()
    nominal_hz = meter.frequency_hz()
    power.on(row.at["pack"])
    judge(row, _ratio(meter.frequency_hz(), nominal_hz) - 1)


@check(reads="steady_panel", needs="operator voltmeter supply meter", after="f_open", seconds=WARM_UP_S + 4.6)
def test_steady_to_the_eye(row, meter, operator, probe, voltmeter, clock, run_state, judge):
    """A joint that opens now and then shows when one looks for a while; everything is watched at the same time.

    Who watches cannot read a voltmeter as well: one that is read by hand is read before and afterwards.
    """
    meter.show("WATCH")
    meter.lamp(2, "ON")
    probe(row.at["between"])
    run_state["before_warm_up"] = meter.frequency_hz(), clock.monotonic_s()
    volts, packs = [voltmeter.voltage_v()] if voltmeter.is_hand_read else [], []
    operator.watch()
    start_s = clock.monotonic_s()
    while (look_s := clock.monotonic_s()) < start_s + WARM_UP_S:
        if not voltmeter.is_hand_read:
            volts.append(voltmeter.voltage_v())
        packs.append(meter.battery_v())
        clock.sleep(max(0.0, look_s + LOOK_S - clock.monotonic_s()))
    is_steady = operator.was_steady()
    if voltmeter.is_hand_read:
        volts.append(voltmeter.voltage_v())
    meter.lamp(2, "AUTO")
    meter.show_readings()
    run_state["steady_averages"], run_state["steady_battery"] = max(volts) - min(volts), max(packs) - min(packs)
    judge(row, is_steady)


@check(reads="steady_averages steady_battery", needs="voltmeter meter", after="f_open ~steady_panel", seconds=0.0)
def test_steady(row, run_state, judge):
    """The largest less the smallest of what was read meanwhile."""
    judge(row, run_state[row.name])


@check(reads="f_warm_up", needs="meter", after="f_open", seconds=2.1)
def test_warm_up(row, meter, clock, run_state, judge):
    """Where something was watched meanwhile, the time has passed already."""
    if "before_warm_up" not in run_state:
        run_state["before_warm_up"] = meter.frequency_hz(), clock.monotonic_s()
    before_hz, since_s = run_state["before_warm_up"]
    clock.sleep(max(0.0, since_s + WARM_UP_S - clock.monotonic_s()))
    judge(row, _ratio(meter.frequency_hz(), before_hz) - 1)
