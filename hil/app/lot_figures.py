"""Lot figures: from columns of readings to yields, failures, capability, effects, outliers, correlations.

Pure: runs are columns of equal length (`hil.app.lot_runs`), readings a `Readings` of arrays, wherever they came from.

Readings with a nominal are looked at as deviations from it, so that parts recalibrated within a lot do not count as
drift. The reading of a unit that stands for the lot is that of its latest complete run; first-pass figures take the
first complete one.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from hil.app.lot_effects import GROUPINGS, LEAST_SHARE, Candidates, Effect, effects_of, strongest_first
from hil.app.lot_notes import LEAST_CONTROL, notes_on
from hil.app.lot_runs import Runs, counts_of, first_of, last_of, taken
from hil.core.capability import Capability, PercentileCapability, from_percentiles, from_summary
from hil.core.sampling import Proportion, proportion

MOST_OUTLIERS = 0.01  # of the units; more of them are no outliers but the shape of the distribution
OUTLIER_SIGMAS = 4.5  # robust, and at least; common practice is 3.5 to 5 with median and MAD
PASS, FAIL, NOT_MEASURED = 0, 1, 3  # codes of verdicts, as `hil.store.queries` gives it
MOST_RANKED = 2000  # units for rank correlations: known to 0.02 and better, where 0.7 is asked for
SUBGROUPS = 25  # averages of this many parts of the lot are charted
FALSE_ALARM = 0.05  # that anything is out of control, or an outlier, in a lot where all is well
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Readings of a lot as columns: `code` is the place of a reading's name in `names`; NaN is no number.

    Args:
        limits: name -> rows of (lower, upper, accept_lower, accept_upper, nominal) from the latest runs, against which
            the lot is held.
    """

    names: tuple[str, ...]
    code: NDArray[np.int32]
    run_no: NDArray[np.int64]
    verdict: NDArray[np.int8]  # 0 pass, 1 fail, 2 undecided, 3 not measured
    value: Floats
    nominal: Floats
    limits: Mapping[str, Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """A unit that passes and yet does not belong to the population."""

    serial: str
    check: str
    value: float
    sigmas: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupYield:
    """First-pass yield of the units of one operator, bench, component lot or firmware."""

    grouping: str
    group: str
    first_pass: Proportion


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFigures:
    """One check over the lot; deviations from the nominal where there is one."""

    name: str
    title: str
    unit: str
    count: int
    missing: int  # units whose standing run has no reading of it; none of a text or a boolean has a number
    failed_first: int
    level: float | None  # mean of the readings themselves
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
    values: Floats = field(compare=False, repr=False)  # in the order of time
    places: NDArray[np.intp] = field(compare=False, repr=False)  # index of each value's unit in `LotFigures.serials`

    @property
    def tolerance(self) -> float | None:
        """What sizes are compared with: the width of the zone, or the room up to the one limit; None without any."""
        if self.lower is not None and self.upper is not None:
            return self.upper - self.lower or None
        edge = self.lower if self.upper is None else self.upper
        return abs(edge - self.mean) or None if edge is not None and self.mean is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFigures:
    """Everything a lot report shows."""

    lot: str
    first_run: str  # ISO times
    last_run: str
    units: int
    runs: int
    interrupted: int
    first_pass: Proportion
    final: Proportion
    unfinished: int  # units without a complete run
    retested: int
    reworked: int
    failures: tuple[tuple[str, int, float], ...]  # (check, units that failed it first time, cumulated share)
    causes: tuple[tuple[str, int], ...]  # of units that failed first time
    groups: tuple[GroupYield, ...]
    checks: tuple[CheckFigures, ...]
    effects: tuple[Effect, ...]
    outliers: tuple[Outlier, ...]
    correlations: tuple[tuple[str, str, float], ...]
    planned_s: float | None  # mean per run
    actual_s: float | None
    unit_s: float | None  # mean per unit, all its runs
    simulated: bool
    moved: tuple[tuple[str, str], ...]  # (unit that also has runs in another lot, that lot)
    notes: tuple[str, ...]
    serials: tuple[str, ...] = field(compare=False, repr=False)  # units with a complete run, in the order of time
    labels: Mapping[str, NDArray[np.object_]] = field(compare=False, repr=False)  # grouping -> label of each of them


def lot_figures(
    lot: str,
    runs: Runs,
    readings: Readings,
    titles: Mapping[str, tuple[str, str]],
    *,
    causes: Mapping[int, str] | None = None,
    reworked: Sequence[str] = (),
    moved: Sequence[tuple[str, str]] = (),
    limits_revisions: Sequence[str] = (),
    simulated: bool = False,
) -> LotFigures:
    """All figures of a lot.

    Args:
        titles: reading name -> (title, unit).
        causes: run_no of a failing run -> what its cause was.
        reworked: serial numbers of units that were reworked.
        moved: (serial number, other lot) of units that also have runs in another lot.
        limits_revisions: revisions of the limits that were in force, in the order of time.

    Raises:
        ValueError: no runs at all.
    """
    if not runs["run_no"].size:
        raise ValueError(f"lot '{lot}' has no runs")
    # A simulated bench begins every call at the same hour: there the order of recording is that of time.
    runs = taken(runs, np.lexsort((runs["run_no"],) if simulated else (runs["run_no"], runs["opened_s"])))
    by_attempt = taken(runs, np.argsort(runs["attempt"], kind="stable"))
    whole = taken(by_attempt, (by_attempt["only"] == "") & np.isin(by_attempt["verdict"], ("PASS", "FAIL")))
    first = taken(whole, first_of(whole["serial"]))
    last = taken(whole, last_of(whole["serial"]))
    last = taken(last, np.lexsort((last["run_no"],) if simulated else (last["run_no"], last["opened_s"])))
    units, complete = len(counts_of(runs["serial"])), last["run_no"].size
    labels = {name: last[name] for name in GROUPINGS}
    candidates = Candidates(labels, complete)
    checks, effects, outliers = _checks(readings, first, last, titles, candidates)
    failed = sorted(((one.name, one.failed_first) for one in checks if one.failed_first), key=lambda pair: -pair[1])
    total_failed, cumulated, failures = sum(count for _, count in failed), 0, []
    for name, count in failed:
        cumulated += count
        failures.append((name, count, cumulated / total_failed))
    reworked_units = set(reworked) | set(runs["serial"][runs["only"] != ""].tolist())
    return LotFigures(
        lot=lot,
        first_run=_iso(runs["opened_s"].min()),
        last_run=_iso(runs["opened_s"].max()),
        units=units,
        runs=runs["run_no"].size,
        interrupted=int((runs["verdict"] == "INCOMPLETE").sum()),
        first_pass=proportion(int((first["verdict"] == "PASS").sum()), complete),
        final=proportion(int((last["verdict"] == "PASS").sum()), complete),
        unfinished=units - complete,
        retested=sum(count > 1 for count in counts_of(whole["serial"]).values()),
        reworked=len(reworked_units),
        failures=tuple(failures),
        causes=_causes(first, causes or {}),
        groups=_groups(first),
        checks=checks,
        effects=strongest_first(effects),
        outliers=tuple(sorted(outliers, key=lambda outlier: -abs(outlier.sigmas))),
        correlations=_correlations(checks, complete),
        planned_s=_mean(whole["planned_s"]),
        actual_s=_mean(whole["seconds"]),
        unit_s=float(runs["seconds"].sum()) / units,
        simulated=simulated,
        moved=tuple(moved),
        notes=notes_on(
            runs, checks, units=units, complete=complete, limits_revisions=limits_revisions, simulated=simulated
        ),
        serials=tuple(last["serial"].tolist()),
        labels=labels,
    )


def _iso(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds")


def _mean(values: Floats) -> float | None:
    return float(values.mean()) if values.size else None


def _causes(first: Runs, causes: Mapping[int, str]) -> tuple[tuple[str, int], ...]:
    counted: dict[str, int] = {}
    for run_no in first["run_no"][first["verdict"] == "FAIL"].tolist():
        cause = causes.get(run_no, "not diagnosed")
        counted[cause] = counted.get(cause, 0) + 1
    return tuple(sorted(counted.items(), key=lambda pair: (pair[0] == "not diagnosed", -pair[1], pair[0])))


def _groups(first: Runs) -> tuple[GroupYield, ...]:
    found = []
    for grouping in GROUPINGS:
        groups, passed = counts_of(first[grouping]), counts_of(first[grouping][first["verdict"] == "PASS"])
        for group, count in sorted(groups.items()) if len(groups) > 1 else ():
            first_pass = proportion(passed.get(group, 0), count)
            found.append(GroupYield(grouping=grouping, group=group, first_pass=first_pass))
    return tuple(found)


def _checks(
    readings: Readings,
    first: Runs,
    last: Runs,
    titles: Mapping[str, tuple[str, str]],
    candidates: Candidates,
) -> tuple[tuple[CheckFigures, ...], list[Effect], list[Outlier]]:
    names = readings.names
    of_first = np.isin(readings.run_no, first["run_no"])
    failed = np.bincount(readings.code[of_first & (readings.verdict == FAIL)], minlength=len(names))
    units = last["run_no"].size
    most = int(max(readings.run_no.max(initial=0), last["run_no"].max(initial=0)))
    places = np.full(most + 1, -1, dtype=np.intp)
    places[last["run_no"]] = np.arange(units)
    place = places[readings.run_no]
    # One stable sort by name, then each check is a slice.
    order = np.argsort(readings.code, kind="stable")
    ends = np.searchsorted(readings.code[order], np.arange(len(names) + 1))
    found: list[CheckFigures] = []
    effects: list[Effect] = []
    outliers: list[Outlier] = []
    for code in _as_recorded(readings, len(names)):
        picked = order[ends[code] : ends[code + 1]]
        picked = picked[place[picked] >= 0]
        judged = int((readings.verdict[picked] != NOT_MEASURED).sum())  # of a text or a boolean all that counts
        picked = picked[np.isfinite(readings.value[picked])]
        picked = picked[np.argsort(place[picked], kind="stable")]
        title, unit = titles.get(names[code], (names[code], ""))
        one = _check(
            names[code], title or names[code], unit, readings, picked, place[picked], int(failed[code]),
            units - (picked.size or judged),
        )  # fmt: skip
        moving, rest = effects_of(
            one.name, one.places, one.values, candidates, checks=len(names), tolerance=one.tolerance
        )
        in_control, signals = _control(one.values, len(names))
        if in_control is not None and moving:
            in_control = False
            signals = (*signals, "not one process: see what stands out")
        found.append(replace(one, in_control=in_control, signals=signals))
        effects += [_with_distance(effect, one) for effect in moving]
        outliers += _outliers(one, rest, readings.verdict[picked] == PASS, last["serial"], len(names))
    return tuple(found), effects, outliers


def _as_recorded(readings: Readings, count: int) -> list[int]:
    """Codes in the order in which they were first recorded."""
    seen, first = np.unique(readings.code, return_index=True)
    return [int(code) for code in seen[np.argsort(first, kind="stable")] if code < count]


def _check(
    name: str,
    title: str,
    unit: str,
    readings: Readings,
    picked: NDArray[np.intp],
    places: NDArray[np.intp],
    failed_first: int,
    missing: int,
) -> CheckFigures:
    values, nominal = readings.value[picked], readings.nominal[picked]
    # Only where limits move with the nominal (a recalibrated part) do deviations say more than the values.
    is_deviation = values.size > 0 and bool(np.isfinite(nominal).all())
    level = float(values.mean()) if values.size else None
    offset = nominal if is_deviation else np.zeros_like(values)
    values = values - offset
    of_latest = readings.limits.get(name, np.full((1, 5), np.nan))
    middle = of_latest[:, 4] if is_deviation else np.zeros(len(of_latest))
    lower, upper, accept_lower, accept_upper = (_edge(of_latest[:, edge] - middle) for edge in range(4))
    mean = float(values.mean()) if values.size else None
    sd = float(values.std(ddof=1)) if values.size >= 2 else None
    if values.size >= 2 and np.ptp(values) == 0:
        mean, sd = float(values[0]), 0.0  # not what rounding leaves of it
    capability = percentile = None
    if mean is not None and sd is not None and (lower is not None or upper is not None):
        capability = from_summary(int(values.size), mean, sd, lower, upper)
        percentile = from_percentiles(values, lower, upper)
    return CheckFigures(
        name=name, title=title, unit=unit, count=int(values.size), missing=missing,
        failed_first=failed_first, level=level, mean=mean, sd=sd, lower=lower, upper=upper, accept_lower=accept_lower,
        accept_upper=accept_upper, is_deviation=is_deviation, in_control=None, signals=(), capability=capability,
        percentile=percentile, values=values, places=places,
    )  # fmt: skip


def _edge(edges: Floats) -> float | None:
    finite = edges[np.isfinite(edges)]
    return float(np.median(finite)) if finite.size else None


def _control(values: Floats, checks: int) -> tuple[bool | None, tuple[str, ...]]:
    """Chart the averages of consecutive units against the spread inside them.

    The limits are so wide (Bonferroni, and Student's t as the spread is estimated) that a lot of that many checks in
    which nothing changed is called out of control in one of twenty cases; with 3 sigma it would be nearly every lot.
    """
    if values.size < LEAST_CONTROL:
        return None, ()
    if np.ptp(values) == 0:
        return True, ()
    size = max(2, values.size // SUBGROUPS)
    groups = values[: values.size // size * size].reshape(-1, size)
    within = float(np.sqrt((groups.std(axis=1, ddof=1) ** 2).mean()))
    means = groups.mean(axis=1)
    count = len(groups)
    quantile = float(stdtrit(count * (size - 1), 1 - FALSE_ALARM / (2 * checks * count)))
    width = quantile * within * math.sqrt((1 - 1 / count) / size)
    out = np.flatnonzero(np.abs(means - means.mean()) > width)
    signals = tuple(
        f"average of units {at * size + 1} to {(at + 1) * size} beyond its limit" for at in out[:5].tolist()
    )
    return not out.size, signals


def _with_distance(effect: Effect, check: CheckFigures) -> Effect:
    """For a drift of the whole lot: how many units until its line meets the limit."""
    edge = check.upper if effect.size > 0 else check.lower
    if effect.kind != "drift" or effect.grouping or edge is None or check.mean is None or check.count < 2:
        return effect
    ahead = (edge - (check.mean + effect.size / 2)) / (effect.size / (check.count - 1))
    return replace(effect, units_to_limit=ahead if ahead >= 0 else None)


def _outliers(
    check: CheckFigures, rest: Floats, passed: NDArray[np.bool_], serials: NDArray[np.object_], checks: int
) -> list[Outlier]:
    """Units that passed and are far from the others, groups and drifts taken out."""
    if check.count < LEAST_CONTROL:
        return []
    middle = float(np.median(rest))
    mad = float(np.median(np.abs(rest - middle))) * 1.4826  # consistent with sigma for a normal process
    if mad <= 0:
        return []
    sigmas = (rest - middle) / mad
    # In a large lot some reading lies beyond any fixed number of sigmas by chance.
    by_chance = float(ndtri(1 - FALSE_ALARM / (2 * check.count * checks)))
    apart = passed & (np.abs(sigmas) > max(OUTLIER_SIGMAS, by_chance))
    if check.tolerance is not None:
        apart &= np.abs(rest - middle) >= LEAST_SHARE * check.tolerance
    if apart.sum() > max(3, MOST_OUTLIERS * check.count):  # that is what this population is like
        return []
    return [
        Outlier(
            serial=str(serials[check.places[index]]), check=check.name, value=float(check.values[index]),
            sigmas=float(sigmas[index]),
        )
        for index in np.flatnonzero(apart)
    ]  # fmt: skip


def _correlations(
    checks: Sequence[CheckFigures], units: int, most: int = 20, least: float = 0.7
) -> tuple[tuple[str, str, float], ...]:
    """Pairs of checks that say nearly the same (rank correlation), strongest first."""
    used = [one for one in checks if one.count >= 10 and one.sd]
    if len(used) < 2:
        return ()
    step = -(-units // MOST_RANKED)  # every so manieth unit of a large lot says the same
    ranks = np.full((units, len(used)), np.nan)
    for column, one in enumerate(used):
        ranks[one.places, column] = one.values
    ranks = np.apply_along_axis(_ranked, 0, ranks[::step])
    ranks = np.where(np.isnan(ranks), np.nanmean(ranks, axis=0), ranks)
    matrix = np.corrcoef(ranks, rowvar=False)
    rows, columns = np.triu_indices(len(used), k=1)
    strong = np.flatnonzero(np.abs(matrix[rows, columns]) >= least)
    pairs = [(used[rows[i]].name, used[columns[i]].name, float(matrix[rows[i], columns[i]])) for i in strong]
    return tuple(sorted(pairs, key=lambda pair: -abs(pair[2]))[:most])


def _ranked(values: Floats) -> Floats:
    """Ranks from 1, alike values with their mean rank; what is no number has none."""
    ranks, known = np.full(values.size, np.nan), np.isfinite(values)
    _, inverse, counts = np.unique(values[known], return_inverse=True, return_counts=True)
    ranks[known] = (np.cumsum(counts) - (counts - 1) / 2)[inverse]
    return ranks
