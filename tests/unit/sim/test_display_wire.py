"""What a person reads, from the bytes on the wire."""

from hil.sim.display_wire import DisplayWire


def put(display, *commands, text=""):
    for byte in commands:
        display.byte(byte, is_text=False)
    for byte in text.encode():
        display.byte(byte, is_text=True)


def test_two_lines_and_clear():
    display = DisplayWire()
    put(display, 0x01, 0x80, text="C=100.0 pF  ")
    put(display, 0x90, text="BAT 7.41V")
    assert display.lines() == ("C=100.0 pF", "BAT 7.41V")
    put(display, 0x82, text="9")
    assert display.lines()[0] == "C=900.0 pF"
    put(display, 0x01)
    assert display.lines() == ("", "")


def test_nothing_is_shown_when_it_does_not_listen():
    display = DisplayWire()
    display.byte(ord("A"), is_text=True, is_selected=False)
    display.byte(ord("B"), is_text=True, is_reset=True)
    assert display.lines() == ("", "")


def test_beyond_the_edge_and_unprintable():
    display = DisplayWire()
    put(display, 0x8F, text="XY")
    display.byte(0x80, is_text=False)
    display.byte(0x07, is_text=True)
    assert display.lines()[0] == "?" + " " * 14 + "X"
