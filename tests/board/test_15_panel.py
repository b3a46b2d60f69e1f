"""Keys, lamps and display, as a person meets them."""

import random
import statistics

from hil import check

PRESS_S = {"key1": 0.2, "key2": 0.2, "keys_both": 1.3}
KEYS = {"key1": ("KEY1",), "key2": ("KEY2",), "keys_both": ("KEY1", "KEY2")}
CURRENTS = 5  # readings of a current, whose last digit is a thirtieth of a lamp's
UNLIKE = "ACDEFHJKLMNPRTUVWXY34679"  # characters that nobody takes for another


@check(reads="key1 key2 keys_both", needs="meter operator", after="start_time", seconds=3.6)
def test_keys(row, meter, operator, clock, fit, judge):
    """The meter counts the press, once and as the right one; both held together for a second are their own."""
    fit("open")
    meter.reset()
    meter.presses()
    operator.press(KEYS[row.name], PRESS_S[row.name])
    clock.sleep(0.1)
    judge(row, ",".join(map(str, meter.presses())))


@check(reads="key1_acts", needs="meter operator", after="key1", seconds=2.45)
def test_key_acts(row, meter, operator, clock, judge):
    meter.reset()
    operator.press(KEYS["key1"], PRESS_S["key1"])
    clock.sleep(0.1)
    function = meter.function_selected()
    meter.reset()
    judge(row, function)


@check(reads="lamp?_on lamp?_off", needs="meter operator", after="start_time", seconds=1.52)
def test_lamps(row, meter, operator, judge):
    number = int(row.at["lamp"])
    meter.lamp(number, row.at["mode"])
    is_lit = operator.lamp_is_lit(f"LED{number}")
    meter.lamp(number, "AUTO")
    judge(row, is_lit)


@check(reads="lamp?_current", needs="supply meter", after="start_time", seconds=0.24)
def test_lamp_current(row, meter, supply, judge):
    """What the supply gives more while the lamp is lit: an eye sees that it is, not how brightly it should be."""
    number = int(row.at["lamp"])
    currents_a = {}
    for mode in ("OFF", "ON"):
        meter.lamp(number, mode)
        # Nobody reads the same display of a supply several times.
        times = 1 if supply.is_hand_read else CURRENTS
        currents_a[mode] = statistics.fmean(supply.current_a() for _ in range(times))
    meter.lamp(number, "AUTO")
    judge(row, currents_a["ON"] - currents_a["OFF"])


@check(reads="display_code", needs="meter operator", after="start_time", seconds=1.52)
def test_display(row, meter, operator, serial, clock, judge):
    """A code that nobody can know is shown; the operator types what stands there."""
    chosen = random.Random(f"{serial} {clock.now()}")
    code = "".join(chosen.choice(UNLIKE) for _ in range(6))
    meter.show(code)
    typed = operator.read_display()
    meter.show_readings()
    lines = [line.strip().upper() for line in typed.splitlines()]
    judge(row, code in lines, raw=(code, typed), notes=(f"shown {code}, typed {' | '.join(lines)}",))
