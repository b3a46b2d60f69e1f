"""How large the letters of a certificate may be so that it stays on two pages, and where its columns break.

Heights are estimated from numbers of characters: having typst measure one size after the other takes longer than the
page itself. The estimates are on the safe side; `tests/unit/render/test_typeset.py` holds them to real pages. Lengths
are in points (1/72 inch), those of the page in ``reports/certificate.typ``.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from hil.render.certificate import Certificate

MM = 72 / 25.4
RESULT_SIZES = (7.6, 7.2, 6.9, 6.6, 6.4, 6.2, 6.0, 5.8, 5.6, 5.4)
STATEMENT_SIZES = (8.0, 7.6, 7.3, 7.0, 6.7, 6.4, 6.1, 5.8)
PAGE = 264.5 * MM  # between header and footer
HALF = 89 * MM  # width of one of two columns
NUMBERS = 21.0  # width of all columns of results but the title's, in em
FACTORS = 2.8  # width of the column of coverage factors, where there is one
NARROW, NORMAL = 0.415, 0.465  # mean width of a character of the condensed and the normal cut, in em


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Sizes in points; ``results_cut`` and ``statements_cut`` are how many rows the first column takes."""

    results: float
    results_cut: int
    factors: bool  # whether results have a column for coverage factors
    statements: float
    statements_cut: int


def fit(certificate: Certificate) -> Fit:
    """Choose sizes and breaks for a certificate."""
    factors = any(one.shown_k not in ("", certificate.coverage) for one in certificate.results)
    numbers = NUMBERS + (FACTORS if factors else 0.0)

    def rows(size: float) -> list[float]:
        across = (HALF / size - numbers) / NARROW
        return [
            height
            for group in certificate.groups
            for height in (1.2, *(1.2 + 1.06 * (_lines(one.shown_title, across) - 1) for one in group.results))
        ]

    def statements(size: float) -> list[float]:
        across = HALF / (NORMAL * size)
        return [1.2 * _lines(one.heading + one.text, across) + 0.5 for one in certificate.statements]

    results, results_cut = _choose(RESULT_SIZES, PAGE - 9 * MM, rows)
    size, cut = _choose(STATEMENT_SIZES, _room_for_statements(certificate), statements)
    headings = {sum(len(group.results) + 1 for group in certificate.groups[:place]) + 1
                for place in range(len(certificate.groups))}  # fmt: skip
    return Fit(
        results=results,
        results_cut=results_cut - 1 if results_cut in headings else results_cut,  # no heading ends a column
        factors=factors,
        statements=size,
        statements_cut=cut,
    )


def _choose(sizes: Sequence[float], room: float, heights: Callable[[float], list[float]]) -> tuple[float, int]:
    """The largest size at which both halves have room, and the break; the smallest size when none has."""
    cut = 0
    for size in sizes:
        found = heights(size)
        cut = _middle(found)
        if max(sum(found[:cut]), sum(found[cut:])) * size <= room:
            return size, cut
    return sizes[-1], cut


def _middle(heights: Sequence[float]) -> int:
    """Where to break so that the higher half is as low as can be."""
    total, so_far = sum(heights), 0.0
    best, cut = total, 0
    for place, height in enumerate(heights):
        if max(so_far, total - so_far) < best:
            best, cut = max(so_far, total - so_far), place
        so_far += height
    return cut


def _room_for_statements(certificate: Certificate) -> float:
    lines = max(
        sum(_lines(line.text, 48) for line in certificate.item),
        sum(_lines(line.text, 48) for line in certificate.conditions),
    )
    equipment = certificate.instruments + certificate.parts
    in_lines = sum(_lines(f"{one.name} {one.what}", 34) for one in equipment) / 3 + 2
    adjusted = (len(certificate.adjustments) + 1) * 3.6 + 5 if certificate.adjustments else 0.0
    return PAGE - (35 + 3.3 * lines + adjusted + 58 + 2.75 * in_lines + 8 + 8) * MM


def _lines(words: str, across: float) -> int:
    return max(1, -(-len(words) // max(1, int(across))))
