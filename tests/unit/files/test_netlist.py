"""The board file: what is read, and each complaint with its place."""

from pathlib import Path

import pytest

from hil.errors import FileError
from hil.files.netlist import parse_netlist

TEXT = (Path(__file__).parents[3] / "fixtures" / "boards" / "qm2.toml").read_text(encoding="utf-8")


def refusal(old: str, new: str) -> str:
    assert TEXT.count(old) == 1, old
    with pytest.raises(FileError) as caught:
        parse_netlist("boards/qm2.toml", TEXT.replace(old, new))
    return str(caught.value)


def line_of(words: str) -> int:
    return TEXT[: TEXT.index(words)].count("\n") + 1


def test_the_shipped_board():
    netlist = parse_netlist("boards/qm2.toml", TEXT)
    assert (netlist.board, netlist.revision, netlist.ground) == ("qm2", "A", "GND")
    parameters = {parameter.name: parameter for parameter in netlist.parameters()}
    assert (parameters["R7"].value, parameters["R7"].tolerance) == (15e3, 75.0)
    assert (parameters["U4"].value, parameters["U4"].tolerance) == (90e-9, 30e-9)
    assert parameters["U4.offset"].tolerance == 3e-3
    assert parameters["Y1"].tolerance == pytest.approx(480.0)
    assert parameters["F1"].temperature_coefficient == pytest.approx(3e-3)
    assert netlist.component("C3").polarised
    assert not netlist.component("C5").polarised


def test_component_without_tolerance():
    text = refusal(
        'title = "Ccal, class 1 ceramic"\nvalue = "1200 pF"\ntolerance = "1 %"\n', 'title = "Ccal"\nvalue = "1200 pF"\n'
    )
    line = line_of("[component.C2]")
    assert text.startswith(f"boards/qm2.toml:{line}: component.C2: C2 has no tolerance. Add 'tolerance'")


def test_dangling_net():
    text = refusal('pins = ["1 UARTIN", "2 RXD"]', 'pins = ["1 UARTNI", "2 RXD"]')
    assert "net 'UARTIN' has only the pin J2.3; correct its name or connect it." in text
    assert ": component.J2.pins: " in text


def test_test_point_on_an_unknown_net():
    text = refusal('TP_COMP = "COMP"', 'TP_COMP = "KOMP"')
    assert text.startswith(f"boards/qm2.toml:{line_of('TP_COMP = ')}: test_point.TP_COMP: ")
    assert "refers to net 'KOMP', which no pin is on; nets: " in text


def test_unknown_key():
    assert "component.L2.tolerence: unknown key. Did you mean 'tolerance'." in refusal(
        'title = "analogue supply of U3"\nvalue = "10 uH"\ntolerance',
        'title = "analogue supply of U3"\nvalue = "10 uH"\ntolerence',
    )


def test_unknown_kind():
    assert "'resitor' is not known. Did you mean 'resistor'." in refusal(
        'kind = "resistor"\ntitle = "reset pull-up"', 'kind = "resitor"\ntitle = "reset pull-up"'
    )


def test_wrong_unit():
    assert "component.R4.value: '10 kF' has the unit F, but ohm is needed." in refusal(
        'value = "10 kohm"\ntolerance = "1 %"\ntemperature_coefficient = "100 ppm/K"\npins = ["1 5V", "2 RESET"]',
        'value = "10 kF"\ntolerance = "1 %"\npins = ["1 5V", "2 RESET"]',
    )


def test_tolerance_in_another_unit():
    assert "component.U4.tolerance: must be a ratio or in s, not in V." in refusal(
        'tolerance = "30 ns"', 'tolerance = "30 mV"'
    )


def test_missing_constant():
    assert "component.Q2: Q2 lacks the constant 'reverse_gain'; add model.reverse_gain." in refusal(
        'model.reverse_gain = "4"\n', ""
    )


def test_missing_parameter():
    assert "component.U4: U4 lacks U4.offset; give it a value and a tolerance." in refusal(
        'parameter.offset = { value = "0 V", tolerance = "3 mV" }\n', ""
    )


def test_pins_that_are_none():
    assert """component.SW1.pins: '1' is not "NUMBER NET" or "NUMBER NAME NET".""" in refusal(
        'pins = ["1 PROT", "2 PACK"]', 'pins = ["1", "2 PACK"]'
    )


def test_rows_that_do_not_add_up():
    assert "component.J3.rows: must be a list of whole numbers that add up to the 6 pins." in refusal(
        "rows = [3, 3]", "rows = [3, 4]"
    )


def test_value_of_a_connector():
    assert "component.J4.value: a connector has no value. Remove the key." in refusal(
        'title = "terminals; T2 is ground"', 'title = "terminals"\nvalue = "1 ohm"'
    )
