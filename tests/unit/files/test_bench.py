"""Bench files."""

import re

import pytest

from hil.core.equipment import Accuracy
from hil.errors import FileError
from hil.files.bench import parse_bench, refuse_overdue, uncertainty_of
from hil.files.parts import parse_kit
from hil.suite import ROOT

HEAD = 'format = 1\nbench = "west"\nkit = "demo"\n'
UNCERTAINTY = """[uncertainty.jig]
zero_capacitance = "0.02 pF"
zero_inductance = "5 nH"
contact_capacitance = "0.01 pF"
contact_inductance = "3 nH"
terminal_capacitance = "0.3 pF"
loss_at_1uF = "0.12 %"
leads = "0.3 ohm"
temperature = "2 degC"
[uncertainty.meter]
noise = "2 ppm"
noise_dof = 50
drift_between_gates = "2 ppm"
drift_since_zero = "5 ppm"
timebase = "20 ppm"
timebase_drift = "0.2 ppm"
battery_step = "12.2 mV"
"""


def parse(body):
    return parse_bench("west.toml", HEAD + body)


def test_roles_channels_and_port():
    bench = parse(
        """readiness_hours = 8
[meter]
port = "/dev/ttyUSB0"
protocol = "listen"
pattern = 'C=(?P<capacitance>\\S+)'
[role.supply]
address = "TCPIP::10.0.0.1::5025::SOCKET"
commands = "scpi_supply"
settle = "50 ms"
accuracy = { voltage = "0.05 % + 3 mV" }
due = 2027-03-01
[role.voltmeter]
by_hand = true
[role.programmer]
command = ["tool", "{image}"]
[role.selector]
address = "x"
commands = "scpi_selector"
[selector.parts]
open = 100
[selector.probes]
TP_5V = 201
[jig]
open_capacitance = "6 pF"
check_parts = ["c"]
"""
        + UNCERTAINTY
    )
    assert bench.available == {"meter", "supply", "voltmeter", "programmer", "selector"}
    assert bench.roles["supply"].accuracy["voltage"] == Accuracy(relative=0.0005, absolute=0.003)
    assert bench.roles["supply"].accuracy["voltage"].half_width(10.0) == pytest.approx(0.008)
    assert (bench.roles["supply"].settle_s, bench.roles["supply"].due) == (0.05, "2027-03-01")
    assert bench.roles["programmer"].timeout_s == 60.0
    assert bench.parts == {"open": 100}
    assert bench.readiness_hours == 8.0
    assert bench.jig.open_capacitance_f == 6e-12


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("[role.suply]\naddress = 'x'", "4: role.suply: unknown key. Did you mean 'supply'."),
        ("[role.supply]\ncommands = 'x'", "4: role.supply.address: is missing. Add 'address' to this table."),
        ("[role.supply]\naddress = 'x'", "4: role.supply.commands: is missing. Add 'commands' to this table."),
        ("[role.supply]\nby_hand = true\naddress = 'x'", "6: role.supply.address: stands beside by_hand = true."),
        (
            "[role.supply]\naddress = 'x'\ncommands = 'y'\nidentity = '('",
            "7: role.supply.identity: is not a regular expression: missing ), unterminated subpattern at position 0.",
        ),
        (
            "[role.supply]\naddress = 'x'\ncommands = 'y'\naccuracy = { voltage = '3 mA' }",
            "7: role.supply.accuracy.voltage: '3 mA' has the unit A, but the voltage is in V.",
        ),
        ("[role.programmer]\ncommand = ['tool']", "5: role.programmer.command: must be a list of words with '{image}'"),
        (
            "[role.selector]\naddress = 'x'\ncommands = 'y'\n[selector.parts]\na = 1\nb = 1",
            "9: selector.parts.b: channel 1 is already wired to 'a'. Correct one of them.",
        ),
        ("[selector.parts]\na = 1", "4: selector: wires channels, but there is no [role.selector]."),
        ("[meter]\nport = 'x'\nprotocol = 'listen'", "4: meter.pattern: is missing. A meter that only prints needs"),
        ("[meter]\nport = 'x'\npattern = 'x'", '6: meter.pattern: belongs to protocol = "listen".'),
        ("[meter]\nport = 'x'\nprotocol = 'listen'\npattern = 'x'", "7: meter.pattern: the pattern names no group"),
        ("[meter]\nport = 'x'\nprotocol = 'listen'\npattern = '(?P<luck>x)'", "7: meter.pattern: group 'luck' is not"),
        ("[role.selector]\nby_hand = true", "5: role.selector.by_hand: is what a bench without one is. Delete"),
        ("[meter]\nport = 'x'\nbaud = 0", "6: meter.baud: must be 50 or more, not 0."),
        ("readiness_hours = 0", "4: readiness_hours: must be more than 0, not 0."),
    ],
)
def test_refused(body, said):
    with pytest.raises(FileError) as caught:
        parse(body)
    assert str(caught.value).startswith(f"west.toml:{said}")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('"0.02 pF"', '"0 pF"'), "5: uncertainty.jig.zero_capacitance: must be more than 0 F, not '0 pF'."),
        (('"5 nH"', '"-5 nH"'), "6: uncertainty.jig.zero_inductance: must be more than 0 H, not '-5 nH'."),
        (('"0.01 pF"', '"3 nH"'), "7: uncertainty.jig.contact_capacitance: '3 nH' has the unit H, but F is needed."),
        (("noise_dof = 50", "noise_dof = 0.5"), "15: uncertainty.meter.noise_dof: must be 1 or more, not 0.5."),
        (('timebase = "20 ppm"\n', ""), "13: uncertainty.meter.timebase: is missing. Add 'timebase' to this table."),
        (("noise =", "nose ="), "14: uncertainty.meter.nose: unknown key. Did you mean 'noise'."),
        (("[uncertainty.jig]", "[uncertainty.jigg]"), "4: uncertainty.jigg: unknown key. Did you mean 'jig'."),
    ],
)
def test_uncertainties_that_cannot_be(change, said):
    with pytest.raises(FileError) as caught:
        parse(UNCERTAINTY.replace(*change))
    assert str(caught.value) == f"west.toml:{said}"


def test_a_bench_that_says_nothing_of_its_uncertainty_checks_no_unit():
    jig, meter = uncertainty_of(parse(UNCERTAINTY))
    assert (jig.zero_f, meter.noise_dof, meter.battery_step_v) == (0.02e-12, 50.0, pytest.approx(0.0122))
    with pytest.raises(FileError) as caught:
        uncertainty_of(parse(""))
    assert str(caught.value) == (
        "west.toml: uncertainty: is missing: nobody knows what jig and meter add to a reading. Add [uncertainty.jig] "
        "and [uncertainty.meter]; the shipped bench 'simulated' has both, with where each value comes from."
    )


def test_what_two_readings_do_not_share_is_part_of_an_accuracy():
    role = "[role.voltmeter]\nby_hand = true\naccuracy = { voltage = '0.1 %' }\nshort_term = { voltage = '10 ppm' }\n"
    assert parse(role).roles["voltmeter"].short_term["voltage"] == Accuracy(relative=1e-5)
    with pytest.raises(FileError, match=r"7: role\.voltmeter.short_term\.current: unknown key"):
        parse(role.replace("short_term = { voltage", "short_term = { current"))


@pytest.mark.parametrize(
    ("accuracy", "said"),
    [
        ("'0 %'", "an accuracy of zero cannot be: write what it really is. Write it like '0.05 % + 3 mV'."),
        ("'-0.1 %'", "'-0.1 %' is negative; a half-width is written without a sign. Write it like '0.05 % + 3 mV'."),
        ("'3 mA'", "'3 mA' has the unit A, but the voltage is in V. Write it like '0.05 % + 3 mV'."),
    ],
)
def test_accuracies_that_cannot_be(accuracy, said):
    with pytest.raises(FileError) as caught:
        parse(f"[role.voltmeter]\nby_hand = true\naccuracy = {{ voltage = {accuracy} }}\n")
    assert str(caught.value) == f"west.toml:6: role.voltmeter.accuracy.voltage: {said}"


def test_an_overdue_instrument_is_refused():
    bench = parse("[role.supply]\naddress = 'x'\ncommands = 'y'\ndue = 2026-11-24")
    refuse_overdue(bench, "2026-11-24")
    with pytest.raises(FileError) as caught:
        refuse_overdue(bench, "2026-11-25")
    assert str(caught.value) == (
        "west.toml:4: role.supply.due: calibration was due 2026-11-24, today is 2026-11-25. "
        "Send it to calibration, or replace it."
    )


@pytest.mark.parametrize("name", ["simulated", "by_hand"])
def test_shipped_benches_fit_their_kit(name):
    bench = parse_bench(name, (ROOT / f"fixtures/benches/{name}.toml").read_text())
    kit = parse_kit("kit", (ROOT / f"fixtures/kits/{bench.kit}.toml").read_text(), today="2026-11-25")
    assert [part for part in (*bench.parts, *bench.jig.check_parts) if part not in kit] == []
    if bench.parts:
        assert set(kit.parts) <= set(bench.parts)


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (("date = 2024-06-28", "date = 2023-01-01"), "history[2].date: 2023-01-01 is not after 2023-06-28"),
        (("date = 2026-06-29", "date = 2027-07-01"), "history[4].date: 2027-07-01 is not before the instrument is due"),
        (('"QI-E-0001", date', '"QI-E-9999", date'), "history: ends with QI-E-9999, but the certificate is QI-E-0001"),
    ],
)
def test_calibrations_of_an_instrument_that_cannot_be(change: tuple[str, str], complaint: str) -> None:
    shipped = (ROOT / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")
    with pytest.raises(FileError, match=re.escape(complaint)):
        parse_bench("b.toml", shipped.replace(*change, 1))
