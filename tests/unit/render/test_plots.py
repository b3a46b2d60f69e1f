"""Plots of pages: the same picture from the same data, units a reader expects, and a mark on what is simulated."""

import pytest

from hil.render.plots import bare, blank, mark, scale, svg, the_look


def picture(*, simulated: bool) -> str:
    with the_look():
        figure = blank(3, 2)
        axes = figure.subplots()
        axes.plot([1, 2, 3], [1, 4, 9])
        axes.set_ylabel("µH")
        bare(axes)
        mark(figure, simulated)
        return svg(figure)


def test_the_same_data_gives_the_same_text_that_can_stand_in_a_page() -> None:
    first = picture(simulated=False)
    assert first == picture(simulated=False)
    assert first.startswith("<svg")
    assert ">µH</text>" in first  # text stays text
    assert "<script" not in first


def test_simulated_says_so() -> None:
    assert ">SIMULATED</text>" in picture(simulated=True)
    assert "SIMULATED" not in picture(simulated=False)


@pytest.mark.parametrize(
    ("unit", "sizes", "expected"),
    [
        ("F", [-2e-12, 1e-12], (1e12, "pF")),
        ("F", [4.7e-9], (1e9, "nF")),
        ("H", [1.0e-3], (1e3, "mH")),
        ("Hz", [610e3], (1e-3, "kHz")),
        ("Hz", [16e6], (1e-6, "MHz")),
        ("V", [5.0], (1.0, "V")),
        ("V", [], (1e12, "pV")),
        ("", [1e-6], (1.0, "")),
        ("degC", [0.001], (1.0, "degC")),
    ],
)
def test_scale(unit: str, sizes: list[float], expected: tuple[float, str]) -> None:
    assert scale(unit, sizes) == expected
