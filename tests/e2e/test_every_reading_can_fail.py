"""For every reading a fault, an instrument's offset or a setting that turns it from pass to fail.

One run for each line of `CASES`, which covers as many readings as it names; the last test holds the table against
the limits file, so that a new limit without a line here is noticed.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.app.check_files import read_files, unit_run_of
from hil.app.check_unit import Order, Outcome, check_units
from hil.app.locate import locate, read_text
from hil.app.settings import read_settings
from hil.files.limits import parse_limits
from hil.runner import plan_unit, run_unit

SERIAL = "QM2-0001"
NOW = "2026-11-25T05:00:00.000+00:00"
LIMITS = parse_limits("limits/qm2.toml", read_text(locate("limits", "qm2")))

C_PARTS = [row.name for row in LIMITS.rows if row.name.startswith("c_")]
L_PARTS = [row.name for row in LIMITS.rows if row.name.startswith("l_")]
POINTS = [str(row.at["point"]) for row in LIMITS.rows if row.name.startswith("contact_")]
MOVED = " ".join(f"bench.part.{name}=+{50 if name in ('c_1p', 'c_100p') else 15}%" for name in C_PARTS + L_PARTS)

# Faults, as --fault takes them, and the readings that they turn to fail.
CASES = {
    "bench.voltmeter.resistance=+40%": "r_pack r_5v r_3v r_div r_aref r_reset r_comp r_t0 r_inavg r_k1 r_k2",
    "Q1=short": "reverse_current reverse_pack",
    "R9=short": "first_limited first_current",
    "bench.voltmeter.voltage=+3%": (
        "rail_5v_low rail_5v_nominal rail_5v_full rail_3v_low rail_3v_nominal rail_3v_full reset_level"
    ),
    "bench.voltmeter.voltage=-35mV": "k2_drive_off average_difference",
    "U1.dropout_resistance=x6": "dropout loaded_5v",
    "R5=open": "start_time",
    "bench.meter=reboot@1 L2=open F1=short LED1=open LED2=open KEY1=open KEY2=open bench.operator=mistypes "
    "bench.counter.frequency=+100ppm": (
        "start_cause aref aref_ratio battery_at_6v0 battery_at_6v7 battery_at_7v4 battery_at_8v0 battery_at_8v4 "
        "protection_drop lamp_good_falling_pack lamp_good_rising_pack lamp_low_falling_pack lamp_low_rising_pack "
        "lamp1_on lamp2_on key1 key2 keys_both display_code f_counter"
    ),
    "eeprom=corrupt bench.meter=wrong_identity": "self_test model",
    "eeprom=other_serial firmware=deaf_key R7=+20% R16=open R11=+20% U4.bias_current=x5": (
        "serial_number divider_ratio key1_acts current_k1 current_both k1_drive_on k1_stops open_l open_l_shown "
        "zero_l_found output_average input_average average_difference"
    ),
    "K1=open": "k1_drive_off",
    "K2=open": "current_k2 f_ccal k2_drive_on",
    "C2=short": "f_ccal calibration",
    "bench.generator.frequency=+150ppm": "timebase.as_found",
    "bench.generator.frequency=+90ppm": "timebase.reload",
    "bench.generator.frequency=+60ppm": "timebase.crystal",
    "bench.generator.frequency=+50ppm firmware=fixed_gate": "timebase.as_left",
    "bench.generator.frequency=+12ppm firmware=fixed_gate": "timebase.unreached",
    "firmware=free_prescaler": "timebase.jitter",
    "C1=+40%": "f_open",
    "C1=+12% L1=-15%": "c1 l1",
    "R17=+50% R18=-50%": "lamp1_current lamp2_current",
    "R6=intermittent=0.1": "port_repeats",
    "R18.1,U3.16=bridge": "current_idle f_repeatability lamp2_off",
    "R16=-25% R14=+20% R12=-50%": "k1_saturation filter_average usual_l_100m",
    "R27=intermittent=0.2 R14=intermittent=0.2": "steady_panel steady_averages",
    "R7=intermittent=0.1": "steady_battery",
    "R15=intermittent=0.15": "f_supply_low f_supply_full f_repeatability f_warm_up",
    "R15=intermittent=0.4": "zero_c_found zero_c",
    f"R17.1,U3.16=bridge {MOVED}": f"lamp1_off {' '.join(C_PARTS)} {' '.join(L_PARTS)} shown_c_100p",
    "firmware=integer_tank C2=+0.2%": "calibration_c1 calibration_l1",
    "firmware=forgotten_zero": "zero_l",
    "firmware=unused_constants C2=+0.3%": "ccal.as_left scale.as_left",
    "C2=+5% bench.part.l_1m_adjust=+12%": "ccal.as_found scale.as_found",
    "C2=+2% bench.part.l_1m_adjust=-3%": "ccal scale",
    "J4=open": "ccal.as_found short_c short_c_shown",
    "firmware=late_rounding": "shown_c_1n shown_c_10n shown_l_100u shown_l_1m",
    "firmware=no_range_check": "shown_c_over shown_l_over short_c_shown open_l_shown",
    "firmware=forgetful bench.generator.frequency=+40ppm": "stored_ccal stored_scale stored_reload stored_serial",
}
OUTSIDE = {"R7=+20%": "battery_outside_6v0 battery_outside_7v4 battery_outside_8v4"}  # scope serial_only
ELSEWHERE = {"firmware_version", "programmed"}  # by a setting and by a command that fails, below

Check = Callable[..., Outcome]


@pytest.fixture
def check(tmp_path: Path) -> Check:
    """Check one unit; its outcome."""

    def run(faults: str = "", *, scope: str = "full", only: str = "", image: str = "", **settings: str) -> Outcome:
        options = {"scope": scope, "out": str(tmp_path / "out"), **settings}
        order = Order(
            serials=(SERIAL,),
            settings=read_settings(options, folder=tmp_path),
            now=NOW,
            faults=tuple(faults.split()),
            only=only,
            image=image,
        )
        (outcome,) = check_units(order, run_unit)
        return outcome

    return run


def _verdicts(outcome: Outcome) -> dict[str, str]:
    return {reading.name: str(reading.verdict) for reading in outcome.run.readings}


@pytest.mark.parametrize("scope", ["full", "serial_only", "boxed"])
def test_without_a_fault_every_reading_passes(check: Check, scope: str) -> None:
    outcome = check(scope=scope)
    found = _verdicts(outcome)
    assert {name: verdict for name, verdict in found.items() if verdict != "pass"} == {}
    assert set(found) == {row.name for row in LIMITS.in_scope(scope)}
    assert outcome.exit_code == 0


@pytest.mark.parametrize(
    ("faults", "names", "scope"),
    [
        *((faults, names, "full") for faults, names in CASES.items()),
        *((faults, names, "serial_only") for faults, names in OUTSIDE.items()),
    ],
    ids=[names.split()[0] for names in (*CASES.values(), *OUTSIDE.values())],
)
def test_a_fault_turns_its_readings_to_fail(check: Check, faults: str, names: str, scope: str) -> None:
    outcome = check(faults, scope=scope)
    found = _verdicts(outcome)
    assert {name: found[name] for name in names.split() if found[name] != "fail"} == {}
    assert outcome.exit_code == 1


@pytest.mark.parametrize("point", POINTS)
def test_a_needle_that_does_not_touch_is_trouble_of_the_bench(check: Check, point: str) -> None:
    name = f"contact_{point.removeprefix('TP_').lower()}"
    for contact in ("open", "20ohm"):
        outcome = check(f"bench.contact.{point}={contact}", only="contact_*")
        found = _verdicts(outcome)
        assert outcome.exit_code == 3
        assert found[name] == "not_measured"
        assert "fail" not in found.values()
        assert outcome.trouble.startswith(f"{point}: the needles of the jig do not touch")


def test_a_room_too_warm_is_trouble_of_the_bench(check: Check) -> None:
    outcome = check("bench.thermometer.temperature=+8degC", only="room_temperature")
    assert outcome.exit_code == 3
    assert "fail" not in _verdicts(outcome).values()
    assert "Let the room come to its temperature" in outcome.trouble


def test_firmware_older_than_the_limits_ask_for(check: Check, tmp_path: Path) -> None:
    newer = tmp_path / "newer.toml"
    newer.write_text(read_text(locate("limits", "qm2")).replace('least = "1.0.0"', 'least = "1.10.0"'))
    assert _verdicts(check(only="firmware_version"))["firmware_version"] == "pass"
    assert _verdicts(check(only="firmware_version", limits=str(newer)))["firmware_version"] == "fail"


@pytest.mark.parametrize(("command", "verdict"), [("-s", "pass"), ("-d", "fail")])
def test_programming_by_the_outside_command(check: Check, tmp_path: Path, command: str, verdict: str) -> None:
    """The command here is ``test``: the image is a file and no folder."""
    image, bench = tmp_path / "image.hex", tmp_path / "programming.toml"
    image.write_text(":00000001FF\n")
    role = f'[role.programmer]\ncommand = ["test", "{command}", "{{image}}"]\n'
    bench.write_text(f"{read_text(locate('bench', 'simulated'))}\n{role}")
    outcome = check(only="programmed", scope="with_programming", bench=str(bench), image=str(image))
    assert _verdicts(outcome)["programmed"] == verdict
    assert outcome.run.closed is not None
    facts = dict(outcome.run.closed.facts)
    assert facts.get("image_sha256") == (hashlib.sha256(image.read_bytes()).hexdigest() if verdict == "pass" else None)


def test_no_reading_is_forgotten() -> None:
    named = {name for names in (*CASES.values(), *OUTSIDE.values()) for name in names.split()}
    trouble = {f"contact_{point.removeprefix('TP_').lower()}" for point in POINTS} | {"room_temperature"}
    known = {row.name for row in LIMITS.rows}
    assert known - named - trouble - ELSEWHERE == set()
    assert named | trouble | ELSEWHERE <= known


def _measured_alone(check: Check, name: str) -> None:
    """Asked for alone, a row of a good unit passes: what it rests on is measured before it."""
    outcome = check(only=name)
    found = _verdicts(outcome)
    assert {row: verdict for row, verdict in found.items() if verdict != "pass"} == {}
    assert name in found
    assert outcome.exit_code == 2  # and the unit is incomplete all the same


RESTING = ["timebase.reload", "timebase.jitter", "c1", "calibration_c1", "zero_c", "ccal", "c_1n", "scale.as_left"]


@pytest.mark.parametrize("name", RESTING)
def test_a_reading_brings_what_it_rests_on(check: Check, name: str) -> None:
    _measured_alone(check, name)


@pytest.mark.study
def test_every_check_brings_what_it_rests_on(check: Check) -> None:
    """One row of each; all rows of a check come after the same."""
    files = read_files(read_settings({}), today=NOW[:10])
    first = {row.check: row.name for row in reversed(plan_unit(unit_run_of(files)).rows)}
    assert len(first) > 50
    for name in first.values():
        _measured_alone(check, name)


def test_a_unit_that_is_not_calibrated_is_not_judged(check: Check) -> None:
    """C2 short: the calibration fails, and no capacitance is called bad for it."""
    outcome = check("C2=short", only="c_1*")
    found = _verdicts(outcome)
    assert {name: verdict for name, verdict in found.items() if verdict == "fail"} == {"calibration": "fail"}
    assert found["c_1n"] == "not_measured"
