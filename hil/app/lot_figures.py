"""Lot figures: from columns of readings to yields, failures, capability, drift, groups, outliers, correlations.

Pure: `readings` and `runs` are pandas frames with the columns below, wherever they came from.

    runs      run_no serial attempt verdict opened_s operator bench lot firmware component_lot only scope seconds
              planned_s
    readings  run_no name verdict value lower upper accept_lower accept_upper nominal

Readings with a nominal are looked at as deviations from it, so that parts recalibrated within a lot do not count as
drift. The reading of a unit that stands for the lot is that of its latest complete run; first-pass figures take the
first complete one.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from hil.core.capability import Capability, PercentileCapability, from_percentiles, from_summary
from hil.core.control import run_rules
from hil.core.sampling import Proportion, proportion

GROUPINGS = ("operator", "bench", "component_lot", "firmware")
OUTLIER_SIGMAS = 4.5  # robust; common practice is 3.5 to 5 with median and MAD
SIGNIFICANCE = 0.01  # of effects, after Holm over all checks and groupings
LARGE_EFFECT = 0.5  # in standard deviations: smaller ones are significant in large lots and still do not matter


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """A group whose readings differ from the rest: by how much, in standard deviations within groups."""

    check: str
    grouping: str
    group: str
    shift: float  # unit of the reading
    shift_sd: float
    p: float  # Holm-corrected
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A trend over the time of the lot."""

    check: str
    change: float  # from first to last unit along the fitted line, unit of the reading
    change_sd: float  # in standard deviations of the residuals
    share_of_tolerance: float | None  # |change| over the width of the tolerance
    p: float  # Holm-corrected
    units_to_limit: float | None  # units until the line meets the nearer limit; None when it moves away


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """A unit that passes and yet does not belong to the population."""

    serial: str
    check: str
    value: float
    sigmas: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFigures:
    """One check over the lot; deviations from the nominal where there is one."""

    name: str
    title: str
    unit: str
    count: int
    failed_first: int
    mean: float | None
    sd: float | None
    lower: float | None
    upper: float | None
    accept_lower: float | None
    accept_upper: float | None
    is_deviation: bool
    in_control: bool | None  # None: too few units to say
    signals: tuple[str, ...]
    capability: Capability | None
    percentile: PercentileCapability | None
    values: NDArray[np.float64] = field(compare=False, repr=False)  # in the order of time
    serials: tuple[str, ...] = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFigures:
    """Everything a lot report shows."""

    lot: str
    units: int
    runs: int
    interrupted: int
    first_pass: Proportion
    final: Proportion
    unfinished: int  # units without a complete run
    retested: int
    reworked: int
    failures: tuple[tuple[str, int, float], ...]  # (check, units that failed it first time, cumulated share)
    causes: tuple[tuple[str, int], ...]
    checks: tuple[CheckFigures, ...]
    effects: tuple[Effect, ...]
    drifts: tuple[Drift, ...]
    outliers: tuple[Outlier, ...]
    correlations: tuple[tuple[str, str, float], ...]
    planned_s: float | None  # mean per run
    actual_s: float | None
    simulated: bool
    moved: tuple[str, ...]  # units that also have runs in another lot
    notes: tuple[str, ...]


def lot_figures(
    lot: str,
    runs: pd.DataFrame,
    readings: pd.DataFrame,
    titles: Mapping[str, tuple[str, str]],
    *,
    causes: Sequence[str] = (),
    moved: Sequence[str] = (),
    simulated: bool = False,
) -> LotFigures:
    """All figures of a lot.

    Args:
        titles: reading name -> (title, unit).
        causes: first-ranked cause of every diagnosed failing run.
        moved: serial numbers that also have runs in another lot.

    Raises:
        ValueError: no runs at all.
    """
    if runs.empty:
        raise ValueError(f"lot '{lot}' has no runs")
    notes: list[str] = []
    runs = runs.sort_values(["opened_s", "run_no"], kind="stable")
    if not runs["run_no"].is_monotonic_increasing:
        notes.append("the clock went backwards while this lot was checked; runs are taken in the order of their times")
    whole = runs[(runs["only"] == "") & runs["verdict"].isin(["PASS", "FAIL"])]
    first = whole.drop_duplicates("serial", keep="first")
    last = whole.drop_duplicates("serial", keep="last")
    units = int(runs["serial"].nunique())
    checks = _checks(readings, first, last, titles)
    failed = sorted(((one.name, one.failed_first) for one in checks if one.failed_first), key=lambda pair: -pair[1])
    total_failed, cumulated, failures = sum(count for _, count in failed), 0, []
    for name, count in failed:
        cumulated += count
        failures.append((name, count, cumulated / total_failed))
    frame = _wide(checks, last)
    attempts = whole.groupby("serial").size()
    counted: dict[str, int] = {}
    for cause in causes:
        counted[cause] = counted.get(cause, 0) + 1
    return LotFigures(
        lot=lot,
        units=units,
        runs=len(runs),
        interrupted=int((runs["verdict"] == "INCOMPLETE").sum()),
        first_pass=proportion(int((first["verdict"] == "PASS").sum()), len(first)),
        final=proportion(int((last["verdict"] == "PASS").sum()), len(last)),
        unfinished=units - len(last),
        retested=int((attempts > 1).sum()),
        reworked=int(runs.loc[runs["only"] != "", "serial"].nunique()),
        failures=tuple(failures),
        causes=tuple(sorted(counted.items(), key=lambda pair: -pair[1])),
        checks=checks,
        effects=_effects(checks, last),
        drifts=_drifts(checks, last),
        outliers=_outliers(checks),
        correlations=_correlations(frame),
        planned_s=_mean(whole["planned_s"]),
        actual_s=_mean(whole["seconds"]),
        simulated=simulated,
        moved=tuple(moved),
        notes=tuple(notes),
    )


def _mean(series: "pd.Series[float]") -> float | None:
    return float(series.mean()) if len(series) else None


def _checks(
    readings: pd.DataFrame, first: pd.DataFrame, last: pd.DataFrame, titles: Mapping[str, tuple[str, str]]
) -> tuple[CheckFigures, ...]:
    of_first = readings[readings["run_no"].isin(first["run_no"])]
    # Counted as texts: a categorical index of more than 127 names cannot be asked for one it does not hold.
    failed = of_first.loc[of_first["verdict"] == "fail", "name"].astype(str).value_counts().to_dict()
    of_last = readings.merge(last[["run_no", "serial", "opened_s"]], on="run_no")
    of_last = of_last.sort_values(["opened_s", "run_no"], kind="stable")
    found = []
    for name, rows in of_last.groupby("name", sort=False, observed=True):
        title, unit = titles.get(str(name), (str(name), ""))
        found.append(_check(str(name), title, unit, rows, int(failed.get(name, 0))))
    return tuple(found)


def _check(name: str, title: str, unit: str, rows: pd.DataFrame, failed_first: int) -> CheckFigures:
    rows = rows[np.isfinite(rows["value"].to_numpy(dtype=float))]
    values = rows["value"].to_numpy(dtype=float)
    nominal = rows["nominal"].to_numpy(dtype=float)
    # Only where limits move with the nominal (a recalibrated part) do deviations say more than the values.
    is_deviation = values.size > 0 and bool(np.isfinite(nominal).all())
    offset = nominal if is_deviation else np.zeros_like(values)
    values = values - offset
    edges = {
        key: _edge(rows[key].to_numpy(dtype=float) - offset)
        for key in ("lower", "upper", "accept_lower", "accept_upper")
    }
    mean = sd = None
    capability = percentile = None
    signals: tuple[str, ...] = ()
    in_control: bool | None = None
    if values.size:
        mean = float(values.mean())
    if values.size >= 2:
        sd = float(values.std(ddof=1))
    lower, upper = edges["lower"], edges["upper"]
    if values.size >= 2 and mean is not None and sd is not None and (lower is not None or upper is not None):
        capability = from_summary(int(values.size), mean, sd, lower, upper)
        percentile = from_percentiles(values, lower, upper)
    if values.size >= 20 and mean is not None:
        in_control, signals = _control(values)
    return CheckFigures(
        name=name,
        title=title,
        unit=unit,
        count=int(values.size),
        failed_first=failed_first,
        mean=mean,
        sd=sd,
        lower=lower,
        upper=upper,
        accept_lower=edges["accept_lower"],
        accept_upper=edges["accept_upper"],
        is_deviation=is_deviation,
        in_control=in_control,
        signals=signals,
        capability=capability,
        percentile=percentile,
        values=values,
        serials=tuple(rows["serial"]),
    )


def _edge(edges: NDArray[np.float64]) -> float | None:
    finite = edges[np.isfinite(edges)]
    return float(np.median(finite)) if finite.size else None


SUBGROUPS = 25  # averages of this many parts of the lot are charted: a long lot would fire some rule by chance alone


def _control(values: NDArray[np.float64]) -> tuple[bool, tuple[str, ...]]:
    """Chart the averages of consecutive units against the spread inside them; the rules are Western Electric's."""
    size = max(2, values.size // SUBGROUPS)
    groups = values[: values.size // size * size].reshape(-1, size)
    within = float(np.sqrt((groups.std(axis=1, ddof=1) ** 2).mean()))
    means = groups.mean(axis=1)
    signals = run_rules(means, float(means.mean()), within / math.sqrt(size), "western_electric")
    named = tuple(
        dict.fromkeys(f"{one.rule} (units {one.since * size + 1} to {(one.at + 1) * size})" for one in signals)
    )
    # One run rule fires by chance about once in 90 points; beyond 3 sigma or two different signals is out of control.
    serious = any(one.rule.startswith("1 beyond") for one in signals) or len(named) >= 3
    return not serious, named[:5]


def _wide(checks: Sequence[CheckFigures], last: pd.DataFrame) -> pd.DataFrame:
    columns = {
        one.name: pd.Series(one.values, index=pd.Index(one.serials)) for one in checks if one.count >= 10 and one.sd
    }
    return pd.DataFrame(columns, index=pd.Index(last["serial"]))


def _holm(p_values: Sequence[float]) -> list[float]:
    order = np.argsort(p_values, kind="stable")
    corrected, largest = [0.0] * len(p_values), 0.0
    for rank, index in enumerate(order):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[index]))
        corrected[index] = largest
    return corrected


def _effects(checks: Sequence[CheckFigures], last: pd.DataFrame) -> tuple[Effect, ...]:
    """Each group against all others (Welch), p corrected over all of them; only those large enough to matter."""
    from scipy import stats

    by_serial = last.set_index("serial")
    tried: list[tuple[CheckFigures, str, str, float, float, float, int]] = []
    for grouping in GROUPINGS:
        if grouping not in by_serial or by_serial[grouping].nunique() < 2:
            continue
        labels_of = by_serial[grouping]
        for one in checks:
            if one.count < 10 or not one.sd:
                continue
            labels = labels_of.reindex(list(one.serials)).to_numpy()
            for group in sorted({str(label) for label in labels}):
                inside = labels == group
                here, rest = one.values[inside], one.values[~inside]
                if here.size < 5 or rest.size < 5:
                    continue
                spread = math.sqrt(
                    ((here.size - 1) * here.var(ddof=1) + (rest.size - 1) * rest.var(ddof=1)) / (one.count - 2)
                )
                shift = float(here.mean() - rest.mean())
                if spread == 0:
                    continue
                error = math.sqrt(here.var(ddof=1) / here.size + rest.var(ddof=1) / rest.size)
                dof = max(1, min(here.size, rest.size) - 1)
                p = 2 * float(stats.t.sf(abs(shift) / error, dof)) if error > 0 else 0.0
                tried.append((one, grouping, group, shift, shift / spread, p, int(here.size)))
    corrected = _holm([row[5] for row in tried])
    found = [
        Effect(check=one.name, grouping=grouping, group=group, shift=shift, shift_sd=sds, p=p, count=count)
        for (one, grouping, group, shift, sds, _, count), p in zip(tried, corrected, strict=True)
        if p < SIGNIFICANCE and abs(sds) >= LARGE_EFFECT
    ]
    return tuple(sorted(found, key=lambda effect: -abs(effect.shift_sd)))


def _drifts(checks: Sequence[CheckFigures], last: pd.DataFrame) -> tuple[Drift, ...]:
    from scipy import stats

    tried = []
    for one in checks:
        if one.count < 20 or not one.sd:
            continue
        x = np.arange(one.count, dtype=float)
        fit = stats.linregress(x, one.values)
        residual = one.values - (fit.intercept + fit.slope * x)
        spread = float(residual.std(ddof=2))
        tried.append((one, float(fit.slope), float(fit.intercept), spread, float(fit.pvalue)))
    corrected = _holm([row[4] for row in tried])
    found = []
    for (one, slope, intercept, spread, _), p in zip(tried, corrected, strict=True):
        change = slope * (one.count - 1)
        sds = change / spread if spread > 0 else math.inf
        if p >= SIGNIFICANCE or abs(sds) < LARGE_EFFECT:
            continue
        width = one.upper - one.lower if one.upper is not None and one.lower is not None else None
        edge = one.upper if slope > 0 else one.lower
        now = intercept + change
        ahead = (edge - now) / slope if edge is not None and slope else None
        found.append(
            Drift(
                check=one.name,
                change=change,
                change_sd=sds,
                share_of_tolerance=abs(change) / width if width else None,
                p=p,
                units_to_limit=ahead if ahead is not None and ahead >= 0 else None,
            )
        )
    return tuple(sorted(found, key=lambda drift: -abs(drift.change_sd)))


def _outliers(checks: Sequence[CheckFigures]) -> tuple[Outlier, ...]:
    found = []
    for one in checks:
        if one.count < 20:
            continue
        middle = float(np.median(one.values))
        mad = float(np.median(np.abs(one.values - middle))) * 1.4826  # consistent with sigma for a normal process
        if mad == 0:
            continue
        sigmas = (one.values - middle) / mad
        inside = np.ones(one.count, dtype=bool)
        if one.lower is not None:
            inside &= one.values >= one.lower
        if one.upper is not None:
            inside &= one.values <= one.upper
        for index in np.flatnonzero(inside & (np.abs(sigmas) > OUTLIER_SIGMAS)):
            found.append(
                Outlier(
                    serial=one.serials[index],
                    check=one.name,
                    value=float(one.values[index]),
                    sigmas=float(sigmas[index]),
                )
            )
    return tuple(sorted(found, key=lambda outlier: -abs(outlier.sigmas)))


def _correlations(frame: pd.DataFrame, most: int = 20, least: float = 0.7) -> tuple[tuple[str, str, float], ...]:
    """Pairs of checks that say nearly the same (rank correlation), strongest first."""
    if frame.shape[0] < 10 or frame.shape[1] < 2:
        return ()
    ranks = frame.rank()
    matrix = np.corrcoef(ranks.fillna(ranks.mean()).to_numpy(), rowvar=False)
    names = list(frame.columns)
    pairs = [
        (names[i], names[j], float(matrix[i, j]))
        for i in range(len(names))
        for j in range(i + 1, len(names))
        if abs(matrix[i, j]) >= least
    ]
    return tuple(sorted(pairs, key=lambda pair: -abs(pair[2]))[:most])
