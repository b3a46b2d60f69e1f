"""Input quantities of a model: an estimate, its standard uncertainty, and the distribution behind it.

    normal("reference part", 100.08e-12, 0.025e-12, unit="F")
    expanded("certificate", 50_000_623.0, 75.0, coverage_factor=3, dof=18, unit="nm")  # from a certificate
    rectangular("resolution", 0.0, 0.005e-12, unit="F")                              # half-width
    readings("repeatability", [1.02, 1.03, 1.01])                                    # Type A, dof n − 1

Standard uncertainties of the shapes: JCGM 101:2008 clause 6.4. A normal input with finite degrees of freedom is a
scaled and shifted t-distribution when it is drawn (JCGM 101 6.4.9), which is wider than a normal one.
"""

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DISTRIBUTIONS = ("normal", "rectangular", "triangular", "arcsine", "trapezoidal", "curvilinear trapezoidal")


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input quantity.

    Args:
        name: what a person calls it; unique within a budget.
        value: best estimate.
        standard_uncertainty: u, in the unit of the value, more than zero.
        dof: degrees of freedom of u; None: infinite.
        kind: "A" from repeated readings, "B" from anything else.
        distribution: one of `DISTRIBUTIONS`.
        half_width: of the shapes that have one; None for normal.
        shape: of a trapezoid the ratio of its top to its base; of a curvilinear one the inexactness of its half-width.

    Raises:
        ValueError: an uncertainty that is not more than zero, degrees of freedom below one, an unknown distribution.
    """

    name: str
    value: float
    standard_uncertainty: float
    unit: str = ""
    dof: float | None = None
    kind: str = "B"
    distribution: str = "normal"
    half_width: float | None = None
    shape: float = 0.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"{self.name}: the estimate must be a finite number, not {self.value!r}")
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty > 0):
            raise ValueError(f"{self.name}: the uncertainty must be more than zero, not {self.standard_uncertainty!r}")
        if self.dof is not None and not self.dof >= 1:
            raise ValueError(f"{self.name}: degrees of freedom must be 1 or more, not {self.dof!r}")
        if self.kind not in ("A", "B"):
            raise ValueError(f"{self.name}: kind is 'A' or 'B', not {self.kind!r}")
        if self.distribution not in DISTRIBUTIONS:
            raise ValueError(f"{self.name}: distribution {self.distribution!r}; known: {', '.join(DISTRIBUTIONS)}")

    @property
    def is_gaussian(self) -> bool:
        """Normal, or t when the degrees of freedom are finite."""
        return self.distribution == "normal"

    def draw(self, rng: "np.random.Generator", size: int) -> "NDArray[np.float64]":
        """Values of this input alone; correlated inputs are drawn together elsewhere."""
        if self.distribution == "normal":
            if self.dof is None or math.isinf(self.dof):
                drawn = rng.standard_normal(size)
            else:
                drawn = rng.standard_t(self.dof, size)
            drawn *= self.standard_uncertainty
        else:
            drawn = _DRAWN[self.distribution](rng, size, self.shape)
            drawn *= self.half_width if self.half_width is not None else 1.0
        drawn += self.value
        return drawn


def normal(
    name: str, value: float, standard_uncertainty: float, *, unit: str = "", dof: float | None = None, kind: str = "B"
) -> Input:
    """An input whose standard uncertainty is known."""
    return Input(name=name, value=value, standard_uncertainty=standard_uncertainty, unit=unit, dof=dof, kind=kind)


def expanded(
    name: str,
    value: float,
    expanded_uncertainty: float,
    *,
    coverage_factor: float = 2.0,
    unit: str = "",
    dof: float | None = None,
) -> Input:
    """An input from a certificate: u = U / k."""
    return normal(name, value, expanded_uncertainty / coverage_factor, unit=unit, dof=dof)


def rectangular(name: str, value: float, half_width: float, *, unit: str = "", dof: float | None = None) -> Input:
    """Anywhere within ±half-width, equally likely: u = a/√3. ``dof`` may express doubt about a (GUM G.4.2)."""
    return _shaped(name, value, half_width, 1 / 3, "rectangular", unit, dof)


def triangular(name: str, value: float, half_width: float, *, unit: str = "", dof: float | None = None) -> Input:
    """Within ±half-width, most likely in the middle: u = a/√6."""
    return _shaped(name, value, half_width, 1 / 6, "triangular", unit, dof)


def arcsine(name: str, value: float, half_width: float, *, unit: str = "", dof: float | None = None) -> Input:
    """Swings between the ends like a sine: u = a/√2."""
    return _shaped(name, value, half_width, 1 / 2, "arcsine", unit, dof)


def trapezoidal(
    name: str, value: float, half_width: float, top: float, *, unit: str = "", dof: float | None = None
) -> Input:
    """A rectangle with sloping sides; ``top`` is the ratio of top to base: u² = a²(1 + β²)/6."""
    if not 0 <= top <= 1:
        raise ValueError(f"{name}: the ratio of top to base lies between 0 and 1, not {top!r}")
    return _shaped(name, value, half_width, (1 + top**2) / 6, "trapezoidal", unit, dof, top)


def curvilinear_trapezoidal(
    name: str, value: float, half_width: float, inexactness: float, *, unit: str = "", dof: float | None = None
) -> Input:
    """A rectangle whose half-width a is itself known only within ±d: u² = a²/3 + d²/9 (JCGM 101 6.4.3)."""
    relative = inexactness / half_width if half_width else 0.0
    if not 0 <= relative <= 1:
        raise ValueError(f"{name}: the inexactness lies between 0 and the half-width, not {inexactness!r}")
    shape = "curvilinear trapezoidal"
    return _shaped(name, value, half_width, 1 / 3 + relative**2 / 9, shape, unit, dof, relative)


def _shaped(
    name: str,
    value: float,
    half_width: float,
    variance: float,
    distribution: str,
    unit: str,
    dof: float | None,
    shape: float = 0.0,
) -> Input:
    return Input(
        name=name,
        value=value,
        standard_uncertainty=half_width * math.sqrt(variance),
        unit=unit,
        dof=dof,
        distribution=distribution,
        half_width=half_width,
        shape=shape,
    )


def readings(name: str, values: Sequence[float], *, unit: str = "") -> Input:
    """Mean of repeated readings: u = s/√n with n − 1 degrees of freedom (GUM 4.2).

    Raises:
        ValueError: fewer than two readings, or all alike (their spread says nothing; use the resolution).
    """
    if len(values) < 2:
        raise ValueError(f"{name}: at least two readings are needed for a spread, not {len(values)}")
    mean = math.fsum(values) / len(values)
    spread = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))
    return pooled(name, mean, spread, len(values), dof=len(values) - 1, unit=unit)


def pooled(name: str, value: float, spread: float, number: int, *, dof: float | None, unit: str = "") -> Input:
    """Mean of ``number`` readings whose standard deviation is known from elsewhere (GUM H.1.3.2)."""
    return Input(name=name, value=value, standard_uncertainty=spread / math.sqrt(number), unit=unit, dof=dof, kind="A")


Correlation = Mapping[tuple[str, str], float]  # pairs of input names -> r; pairs not named are uncorrelated


def simultaneous(names: Sequence[str], columns: Sequence[Sequence[float]]) -> tuple[tuple[Input, ...], Correlation]:
    """Means of quantities read together, with the correlation of the means (GUM 5.2.3, H.2).

    Raises:
        ValueError: columns of different length.
    """
    if len({len(column) for column in columns}) != 1 or len(columns) != len(names):
        raise ValueError("quantities read together need equally many readings of each")
    inputs = tuple(readings(name, column) for name, column in zip(names, columns, strict=True))
    found: dict[tuple[str, str], float] = {}
    for i, first in enumerate(inputs):
        for j in range(i + 1, len(inputs)):
            second, number = inputs[j], len(columns[i])
            products = ((a - first.value) * (b - second.value) for a, b in zip(columns[i], columns[j], strict=True))
            covariance = math.fsum(products) / (number * (number - 1))
            found[names[i], names[j]] = covariance / (first.standard_uncertainty * second.standard_uncertainty)
    return inputs, found


def correlation_matrix(inputs: Sequence[Input], correlation: Correlation) -> "NDArray[np.float64]":
    """The matrix that the pairs make, checked.

    Raises:
        ValueError: an input nobody knows, a pair given twice, |r| > 1, or coefficients that contradict each other
            (the matrix is not positive semidefinite).
    """
    import numpy as np

    place = {entry.name: index for index, entry in enumerate(inputs)}
    matrix = np.eye(len(inputs))
    for (first, second), coefficient in correlation.items():
        for name in (first, second):
            if name not in place:
                raise ValueError(f"correlation with {name!r}, which is not an input; inputs: {', '.join(place)}")
        if first == second:
            raise ValueError(f"{first!r} is correlated with itself; name two different inputs")
        if not -1 <= coefficient <= 1:
            raise ValueError(f"the correlation of {first!r} and {second!r} lies in −1 … 1, not {coefficient!r}")
        i, j = place[first], place[second]
        if (second, first) in correlation:
            raise ValueError(f"the correlation of {first!r} and {second!r} is given twice; keep one")
        matrix[i, j] = matrix[j, i] = coefficient
    if float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        raise ValueError(
            "the correlation coefficients contradict each other: no quantities can have them all "
            "(the matrix is not positive semidefinite). Correct one of them."
        )
    return matrix


def stream_number(name: str) -> int:
    """A number for the random stream of a named thing, the same on every machine."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")


# Shapes over −1 … 1.


def _rectangle(rng: "np.random.Generator", size: int, _: float) -> Any:
    drawn = rng.random(size)
    drawn *= 2
    drawn -= 1
    return drawn


def _triangle(rng: "np.random.Generator", size: int, _: float) -> Any:
    return rng.random(size) - rng.random(size)


def _sine(rng: "np.random.Generator", size: int, _: float) -> Any:
    import numpy as np

    return np.sin(2 * np.pi * rng.random(size))


def _trapezoid(rng: "np.random.Generator", size: int, top: float) -> Any:
    # sum of two rectangles whose half-widths add up to the base and differ by the top (JCGM 101 6.4.4)
    return _rectangle(rng, size, 0) * (1 + top) / 2 + _rectangle(rng, size, 0) * (1 - top) / 2


def _curvilinear(rng: "np.random.Generator", size: int, inexactness: float) -> Any:
    return _rectangle(rng, size, 0) * (1 + inexactness * _rectangle(rng, size, 0))


_DRAWN: Mapping[str, Callable[["np.random.Generator", int, float], Any]] = {
    "rectangular": _rectangle,
    "triangular": _triangle,
    "arcsine": _sine,
    "trapezoidal": _trapezoid,
    "curvilinear trapezoidal": _curvilinear,
}
