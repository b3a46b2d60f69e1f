"""Input quantities: what cannot exist, and whether drawn values have the moments that are claimed."""

import math

import numpy as np
import pytest

from hil.core.inputs import (
    arcsine,
    correlation_matrix,
    curvilinear_trapezoidal,
    expanded,
    normal,
    readings,
    rectangular,
    simultaneous,
    trapezoidal,
    triangular,
)

SHAPES = [
    normal("n", 3.0, 0.5),
    normal("t", 3.0, 0.5, dof=40),
    rectangular("r", 3.0, 0.5),
    triangular("tri", 3.0, 0.5),
    arcsine("a", 3.0, 0.5),
    trapezoidal("trap", 3.0, 0.5, 0.4),
    curvilinear_trapezoidal("ctrap", 3.0, 0.5, 0.3),
]


@pytest.mark.parametrize("entry", SHAPES, ids=lambda entry: entry.name)
def test_draws_have_the_uncertainty_that_is_stated(entry):
    drawn = entry.draw(np.random.default_rng(1), 400_000)
    assert float(np.mean(drawn)) == pytest.approx(3.0, abs=0.004)
    widening = math.sqrt(40 / 38) if entry.dof else 1.0  # t is wider than the normal of the same u (JCGM 101 6.4.9.4)
    assert float(np.std(drawn)) == pytest.approx(entry.standard_uncertainty * widening, rel=0.006)
    if entry.half_width is not None:
        reach = entry.half_width + (0.3 if entry.name == "ctrap" else 0)
        assert float(np.max(np.abs(drawn - 3.0))) <= reach


def test_a_trapezoid_lies_between_triangle_and_rectangle():
    assert trapezoidal("x", 0, 1, 0).standard_uncertainty == triangular("x", 0, 1).standard_uncertainty
    assert trapezoidal("x", 0, 1, 1).standard_uncertainty == pytest.approx(rectangular("x", 0, 1).standard_uncertainty)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: normal("a", 0.0, 0.0), "a: the uncertainty must be more than zero, not 0.0"),
        (lambda: normal("a", 0.0, -1.0), "a: the uncertainty must be more than zero, not -1.0"),
        (lambda: expanded("a", 0.0, math.nan), "a: the uncertainty must be more than zero, not nan"),
        (lambda: normal("a", math.inf, 1.0), "a: the estimate must be a finite number, not inf"),
        (lambda: normal("a", 0.0, 1.0, dof=0.5), "a: degrees of freedom must be 1 or more, not 0.5"),
        (lambda: rectangular("a", 0.0, -1.0), "a: the uncertainty must be more than zero, not -0.5773502691896257"),
        (lambda: trapezoidal("a", 0.0, 1.0, 2.0), "a: the ratio of top to base lies between 0 and 1, not 2.0"),
        (
            lambda: curvilinear_trapezoidal("a", 0.0, 1.0, 2.0),
            "a: the inexactness lies between 0 and the half-width, not 2.0",
        ),
        (lambda: readings("a", [1.0]), "a: at least two readings are needed for a spread, not 1"),
        (lambda: readings("a", [1.0, 1.0]), "a: the uncertainty must be more than zero, not 0.0"),
        (lambda: simultaneous("ab", [[1, 2], [1]]), "quantities read together need equally many readings of each"),
    ],
)
def test_inputs_that_cannot_be(make, message):
    with pytest.raises(ValueError, match=r"^") as caught:
        make()
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ({("a", "x"): 0.1}, "correlation with 'x', which is not an input; inputs: a, b, c"),
        ({("a", "a"): 1.0}, "'a' is correlated with itself; name two different inputs"),
        ({("a", "b"): 0.1, ("b", "a"): 0.1}, "the correlation of 'a' and 'b' is given twice; keep one"),
        ({("a", "b"): -1.01}, "the correlation of 'a' and 'b' lies in −1 … 1, not -1.01"),
        (
            {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9},
            "the correlation coefficients contradict each other: no quantities can have them all "
            "(the matrix is not positive semidefinite). Correct one of them.",
        ),
    ],
)
def test_a_correlation_matrix_that_is_not_one(pairs, message):
    with pytest.raises(ValueError, match=r"^") as caught:
        correlation_matrix([normal(name, 0.0, 1.0) for name in "abc"], pairs)
    assert str(caught.value) == message


def test_full_correlation_is_allowed():
    matrix = correlation_matrix([normal(name, 0.0, 1.0) for name in "abc"], {("a", "b"): 1.0})
    assert matrix.tolist() == [[1, 1, 0], [1, 1, 0], [0, 0, 1]]
