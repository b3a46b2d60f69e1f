"""Kit files: reference parts with a life."""

import pytest

from hil.core.equipment import Certificate
from hil.errors import FileError
from hil.files.parts import parse_kit
from hil.suite import ROOT

PART = """format = 1
kit = "k"
[part.c_100p]
kind = "capacitor"
value = "100.08 pF"
expanded_uncertainty = "0.05 pF"
certificate = "QI-1"
issued = 2026-02-10
due = 2027-02-10
"""


def parse(text, today="2026-11-25"):
    return parse_kit("kit.toml", text, today=today)


def test_everything_a_certificate_says():
    part = parse(
        PART
        + """coverage_factor = 2.1
dof = 30
frequency = "100 kHz"
temperature = "20 degC"
temperature_coefficient = "-30 ppm/K"
temperature_coefficient_tolerance = "10 ppm/K"
series_resistance = "0.1 ohm"
frequency_range = ["1 kHz", "1 MHz"]
temperature_range = ["15 degC", "30 degC"]
use = "check"
history = [ { date = 2025-02-11, value = "100.07 pF", expanded_uncertainty = "0.06 pF", certificate = "QI-0" } ]
"""
    )["c_100p"]
    assert part.present == Certificate(
        value=100.08 / 1e12, expanded_uncertainty=0.05 / 1e12, coverage_factor=2.1, dof=30.0, certificate="QI-1",
        date="2026-02-10",
    )  # fmt: skip
    assert part.present.standard_uncertainty == pytest.approx(0.05e-12 / 2.1)
    assert (part.unit, part.frequency_hz, part.temperature_degc, part.due) == ("F", 1e5, 20.0, "2027-02-10")
    assert part.temperature_coefficient_per_k == -3e-5
    assert part.history[0].certificate == "QI-0"
    assert part.history[0].coverage_factor == 2.1
    assert part.temperature_range_degc == (15.0, 30.0)


def test_open_and_short_always_exist():
    kit = parse(PART)
    assert "open" in kit
    assert kit["short"].kind == "short"
    assert "c_1p" not in kit


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("0.05 pF", "0 pF"), "6: part.c_100p.expanded_uncertainty: must be more than 0 F, not '0 pF'."),
        (("0.05 pF", "-0.05 pF"), "6: part.c_100p.expanded_uncertainty: must be more than 0 F, not '-0.05 pF'."),
        (("0.05 pF", "0.05 nH"), "6: part.c_100p.expanded_uncertainty: '0.05 nH' has the unit H, but F is needed."),
        (("100.08 pF", "100 uH"), "5: part.c_100p.value: '100 uH' has the unit H, but F is needed."),
        (
            ("2026-02-10", "2026-11-26"),
            "8: part.c_100p.issued: 2026-11-26 lies in the future (today is 2026-11-25). Correct the date or "
            "the clock.",
        ),
        (
            ("2027-02-10", "2026-02-10"),
            "9: part.c_100p.due: 2026-02-10 is not later than the date of issue 2026-02-10. Correct one of them.",
        ),
        (
            ('"capacitor"', '"capacitance"'),
            "4: part.c_100p.kind: 'capacitance' is not known. Did you mean 'capacitor'.",
        ),
        (("c_100p", "open"), "3: part.open: 'open' always exists and is not a part. Rename it or delete the table."),
        (("due =", "dew ="), "9: part.c_100p.dew: unknown key. Did you mean 'due'."),
    ],
)
def test_refused(change, said):
    with pytest.raises(FileError) as caught:
        parse(PART.replace(*change))
    assert str(caught.value) == f"kit.toml:{said}"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("dof = 0.5", "dof: must be 1 or more, not 0.5."),
        ("temperature = '40 degC'", "temperature: 40 degC, where the value holds, is outside the temperature range."),
        (
            "frequency_range = ['1 MHz', '1 kHz']",
            "frequency_range: '1 MHz' is not below '1 kHz'. Put the lower one first.",
        ),
        ("self_resonance_tolerance = '0 %'", "self_resonance_tolerance: must be more than 0, not '0 %'."),
        ("coverage_factor = 0", "coverage_factor: must be more than 0, not 0."),
        (
            "self_resonance = '1 MHz'\nparallel_capacitance = '3 pF'",
            "parallel_capacitance: stands beside self_resonance",
        ),
        (
            "history = [{ date = 2026-05-01, value = '1 pF', expanded_uncertainty = '1 fF', certificate = 'x' }]",
            "history: is not in the order of time, oldest first and before the date of issue.",
        ),
        (
            "history = [{ date = 2027-05-01, value = '1 pF', expanded_uncertainty = '1 fF', certificate = 'x' }]",
            "history[1].date: 2027-05-01 lies in the future",
        ),
        (
            "history = [{ date = 2025-05-01, value = '1 pF', expanded_uncertainty = '-1 fF', certificate = 'x' }]",
            "history[1].expanded_uncertainty: must be more than 0 F, not '-1 fF'.",
        ),
    ],
)
def test_refused_additions(line, said):
    with pytest.raises(FileError) as caught:
        parse(PART + line)
    assert f"part.c_100p.{said}" in str(caught.value)


def test_demo_kit_is_sound():
    kit = parse((ROOT / "fixtures/kits/demo.toml").read_text())
    assert all(part.history for part in kit.parts.values())
    certificates = [one.certificate for part in kit.parts.values() for one in (*part.history, part.present)]
    assert len(set(certificates)) == len(certificates)
    assert {part.use for part in kit.parts.values()} == {"verify", "adjust", "check"}
