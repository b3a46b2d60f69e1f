"""Check standards: does a value that ought to stay the same, morning after morning, still do so?

Every readiness check reads the same golden unit and check parts. The first `BASELINE` good readings fix a centre and a
spread; what comes after is charted against them (NIST/SEMATECH e-Handbook 2.2.2 and 6.3.2). Until then a value is only
compared with the earlier ones (`hil.core.readiness.zone_of_history`), and says so.

Rules that stop a bench, in units of sigma, n the readings of the baseline:

    individuals   one reading further than 4.5·√(1 + 1/n) from the centre
    EWMA          weight 0.2, further than 4·√(0.2/1.8·(1 − 0.8^2i) + 1/n) from the centre
    CUSUM         k = 0.75, h = 7, above or below

They are wider than the textbook's 3, 2.7 to 3 and k = 0.5, h = 5, because centre and sigma are themselves known only
from the baseline, and because some six values are watched at once: with the textbook's widths a bench in which nothing
changed would be stopped within a year in 7 of 10 cases, for each value. With these it is 1 in 8; a shift by 1, 2, 3
sigma is found after 22, 6, 4 checks (medians; simulated, normal readings, 250 checks a year). Rules of Nelson's
that fire at the usual widths warn and do not stop.

Sigma is never taken smaller than a third of the change that matters (`Series.least`): readings that happen to agree
within the resolution must not stop the next good one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hil.core.control import Chart, Cusum, Signal, cusum, ewma, moving_range_sigma, run_rules
from hil.core.limit import Zone
from hil.core.readiness import zone_of_history

BASELINE = 20  # readings; common practice, the e-Handbook wants at least that many
INDIVIDUALS_WIDTH = 4.5
EWMA_WEIGHT, EWMA_WIDTH = 0.2, 4.0
CUSUM_K, CUSUM_H = 0.75, 7.0
PATTERNS_SHOWN = 30  # warnings look at the latest readings only: old patterns are no news


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading of a check standard.

    Args:
        time: ISO 8601.
        good: it was within its limits when it was taken; only good readings make a baseline.
    """

    time: str
    value: float
    good: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A value through time, since its baseline was begun.

    Args:
        points: in the order of time.
        least: change that matters, unit of the value; half the width that is never undercut.
        restarts: indices of the points before which what had fired was accounted for, and sums begin anew; the
            number of points when no reading came since.
    """

    name: str
    unit: str
    points: tuple[Point, ...]
    least: float
    restarts: tuple[int, ...] = ()

    @property
    def baseline(self) -> tuple[Point, ...]:
        """The readings that fix centre and sigma; fewer than `BASELINE` while there are no more."""
        return tuple(point for point in self.points if point.good)[:BASELINE]

    @property
    def is_established(self) -> bool:
        """Whether there are readings enough for limits."""
        return len(self.baseline) == BASELINE


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A rule that fired: on which value, when, and since when the process is likely to have been off."""

    name: str
    rule: str
    time: str
    since: str

    def __str__(self) -> str:
        began = "" if self.since == self.time else f", began about {self.since[:16]}"
        return f"{self.name}: {self.rule} at {self.time[:16]}{began}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """What the charts of one value say.

    Args:
        centre, sigma: None until the limits are established.
        monitored: readings after the baseline, which the charts show.
        charts: EWMA and CUSUM, a pair for each stretch between restarts, with the index of its first point.
        stops: rules that fired since the last restart; these stop the bench.
        past: rules that fired before and were accounted for.
        warnings: patterns among the latest readings that look odd and stop nothing.
    """

    series: Series
    centre: float | None = None
    sigma: float | None = None
    monitored: tuple[Point, ...] = ()
    charts: tuple[tuple[int, Chart, Cusum], ...] = ()
    stops: tuple[Stop, ...] = ()
    past: tuple[Stop, ...] = ()
    warnings: tuple[str, ...] = ()
    limits: Zone | None = None  # of the next reading

    @property
    def in_control(self) -> bool:
        """No rule fired that has not been accounted for."""
        return not self.stops


def expected(series: Series) -> Zone | None:
    """Where the next reading has to lie: action limits of the baseline, else what the earlier ones predict."""
    baseline = series.baseline
    if not series.is_established:
        return zone_of_history([point.value for point in baseline], least=series.least)
    centre, sigma = _centre_and_sigma(series)
    half = INDIVIDUALS_WIDTH * sigma * math.sqrt(1 + 1 / len(baseline))
    return Zone(lower=centre - half, upper=centre + half)


def _centre_and_sigma(series: Series) -> tuple[float, float]:
    values = [point.value for point in series.baseline]
    centre = math.fsum(values) / len(values)
    deviation = math.sqrt(math.fsum((value - centre) ** 2 for value in values) / (len(values) - 1))
    # The larger of the two: a baseline that wandered is no reason to call later wandering a fault of the bench.
    return centre, max(deviation, moving_range_sigma(values), series.least / 3)


def control_of(series: Series) -> Control:
    """The charts of one value, and what they say."""
    zone = expected(series)
    if not series.is_established:
        return Control(series=series, limits=zone)
    assert zone is not None  # it is established
    centre, sigma = _centre_and_sigma(series)
    start = _end_of_baseline(series)
    monitored = series.points[start:]
    values = [point.value for point in monitored]
    charts: list[tuple[int, Chart, Cusum]] = []
    stops: list[Stop] = []
    past: list[Stop] = []
    # A restart after the last reading ends a stretch and begins an empty one, in which nothing has fired.
    begins = sorted({0, *(index - start for index in series.restarts if index > start)})
    for begin, end in zip(begins, [*begins[1:], len(monitored)], strict=True):
        smooth, sums = _charts(values[begin:end], centre, sigma)
        charts.append((begin, smooth, sums))
        fired = [*_beyond(values[begin:end], zone), *smooth.signals, *sums.signals]
        found = _named(series.name, monitored[begin:end], fired)
        (stops if begin == begins[-1] else past).extend(found)
    return Control(
        series=series,
        centre=centre,
        sigma=sigma,
        monitored=monitored,
        charts=tuple(charts),
        stops=tuple(stops),
        past=tuple(past),
        warnings=_warnings(monitored, centre, sigma),
        limits=zone,
    )


def _end_of_baseline(series: Series) -> int:
    good = 0
    for index, point in enumerate(series.points):
        good += point.good
        if good == BASELINE:
            return index + 1
    return len(series.points)


def _charts(values: Sequence[float], centre: float, sigma: float) -> tuple[Chart, Cusum]:
    weight = EWMA_WEIGHT
    plain = ewma(values, target=centre, sigma=sigma, weight=weight, width=EWMA_WIDTH)
    # The centre is known from n readings only, which widens every limit by the same sigma/√n.
    half = [math.hypot(upper - centre, EWMA_WIDTH * sigma / math.sqrt(BASELINE)) for upper in plain.upper]
    signals = tuple(one for one in plain.signals if abs(plain.points[one.at] - centre) > half[one.at])
    smooth = Chart(
        name="EWMA",
        points=plain.points,
        centre=centre,
        sigma=sigma,
        lower=tuple(centre - one for one in half),
        upper=tuple(centre + one for one in half),
        signals=signals,
    )
    return smooth, cusum(values, target=centre, k=CUSUM_K * sigma, h=CUSUM_H * sigma)


def _beyond(values: Sequence[float], zone: Zone) -> list[Signal]:
    return [Signal(rule="individual beyond its limit", at=at, since=at) for at, x in enumerate(values) if x not in zone]


def _named(name: str, points: Sequence[Point], signals: Sequence[Signal]) -> list[Stop]:
    """Each rule once, where it first fired."""
    first: dict[str, Signal] = {}
    for one in signals:
        if one.rule not in first or one.at < first[one.rule].at:
            first[one.rule] = one
    return [
        Stop(name=name, rule=one.rule, time=points[one.at].time, since=points[min(one.since, one.at)].time)
        for one in sorted(first.values(), key=lambda one: one.at)
    ]


def _warnings(points: Sequence[Point], centre: float, sigma: float) -> tuple[str, ...]:
    recent = points[-PATTERNS_SHOWN:]
    # Readings closer together than sigma are no trouble, least of all where sigma is the change that matters.
    signals = run_rules([point.value for point in recent], centre, sigma)
    latest = {one.rule: one for one in signals if "within" not in one.rule}
    return tuple(f"{rule}, last at {recent[one.at].time[:16]}" for rule, one in latest.items())
