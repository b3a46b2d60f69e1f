"""What plots of all pages share: colours, a look that gives the same SVG from the same data, the mark of simulation.

Figures are made without pyplot, which costs two seconds to import and keeps state that a page does not need.
"""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

INK, GOOD, BAD, WARN, FAINT = "#22303c", "#1b6b4a", "#b3261e", "#a66300", "#9fb0bd"
ACCENTS = ("#d9730d", "#2f6fb3", "#7a4fa3")  # groups that stand out, the strongest first
PREFIXES = ((1e-6, "M"), (1e-3, "k"), (1.0, ""), (1e3, "m"), (1e6, "µ"), (1e9, "n"))


@contextmanager
def the_look() -> Iterator[None]:
    """Draw the same way everywhere."""
    import matplotlib

    # A fixed salt makes the same page from the same data; text stays text, in whatever sans serif the reader has.
    look: Any = {
        "svg.hashsalt": "hil", "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 8,
        "path.simplify": False,  # it would leave out lines without length, which are dots
        "axes.edgecolor": FAINT, "text.color": INK, "axes.labelcolor": INK,
    }  # fmt: skip
    with matplotlib.rc_context(look):
        yield


def blank(width: float, height: float) -> Any:
    """A figure of so many inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height))


def svg(figure: Any) -> str:
    """The figure as SVG text for a page."""
    out = io.StringIO()
    figure.savefig(out, format="svg", dpi=110, metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def mark(figure: Any, simulated: bool) -> None:
    """SIMULATED across the figure."""
    if simulated:
        look: Any = {"ha": "center", "va": "center", "fontsize": 28, "alpha": 0.1, "rotation": 12, "weight": "bold"}
        figure.text(0.5, 0.5, "SIMULATED", color=BAD, **look)


def bare(*all_axes: Any) -> None:
    """Without the frame above and to the right."""
    for axes in all_axes:
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)


def scale(unit: str, sizes: Sequence[float]) -> tuple[float, str]:
    """Factor and prefixed unit in which the largest of the sizes is 1 or more."""
    if unit in ("", "degC"):
        return 1.0, unit
    size = max((abs(one) for one in sizes), default=0.0)
    for factor, prefix in PREFIXES:
        if size * factor >= 1:
            return factor, f"{prefix}{unit}"
    return 1e12, f"p{unit}"
