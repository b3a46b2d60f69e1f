"""What is measured because something else is asked for."""

import pytest

from hil.core.plan import PlannedRow, comes_after, is_meant, with_what_they_need


def row(name: str, group: str, *after: str) -> PlannedRow:
    return PlannedRow(name=name, check="", group=group, needs=(), power="on", after=after, seconds=0.1)


ROWS = (
    row("contact_gnd", "01_jig"), row("rail_5v", "02_rails", "contact_*"), row("rail_3v", "02_rails"),
    row("zero_c", "03_calibration", "02_rails"), row("c_1n", "04_capacitance", "zero_c"), row("l_1m", "05_inductance"),
)  # fmt: skip


def test_what_comes_after_what_directly_and_by_way_of_others() -> None:
    after = comes_after(ROWS)
    assert after["zero_c"] == {"contact_gnd", "rail_5v", "rail_3v"}
    assert after["rail_3v"] == frozenset()


def test_rows_bring_what_they_come_after() -> None:
    assert with_what_they_need(["c_1n"], ROWS) == ("contact_gnd", "rail_5v", "rail_3v", "zero_c", "c_1n")
    assert with_what_they_need(["l_1m"], ROWS) == ("l_1m",)


@pytest.mark.parametrize("word", ["02_rails", "rail_5v", "rail_*", "rail_?v"])
def test_a_word_means_a_row_or_a_group(word: str) -> None:
    assert is_meant(word, name="rail_5v", group="02_rails")


@pytest.mark.parametrize("word", ["rail", "rails", "02_*", "01_jig"])
def test_a_word_that_means_another(word: str) -> None:
    assert not is_meant(word, name="rail_5v", group="02_rails")


def test_a_word_with_a_tilde_brings_too() -> None:
    rows = (*ROWS[:3], row("zero_c", "03_calibration", "rail_5v", "~rail_3v"))
    assert comes_after(rows)["zero_c"] == {"contact_gnd", "rail_5v", "rail_3v"}
