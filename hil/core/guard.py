"""Decision rules: tolerance limits + uncertainty + rule -> acceptance zone (JCGM 106:2012 clause 8, ILAC-G8:09/2019).

    simple          accept up to the tolerance limit: w = 0
    guard_band      w = r·U; r = 1 leaves < 2.5 % specific risk at the edge, r = 0.83 is ISO 14253-1:2017
    specific_risk   w such that a reading at the edge of the zone is of a bad item with at most max_risk
    global_risk     w such that of all items of the process at most max_risk are bad and accepted

w is what is taken off each limit that exists. Repeat stage: `hil.core.budget.Budget.averaged` gives the smaller U.
"""

import math
from functools import lru_cache

from hil.core.limit import Rule, Zone

USUAL_R = {1.5: "ILAC-G8:09/2019", 1.0: "ILAC-G8:2009, ILAC-G8:09/2019", 0.83: "ISO 14253-1:2017"}


def acceptance_zone(
    lower: float | None, upper: float | None, expanded_uncertainty: float, rule: Rule, *, coverage_factor: float = 2.0
) -> Zone:
    """The zone in which a reading is accepted; it may come out empty (`Zone.is_empty`).

    Args:
        lower: lower tolerance limit; None: open.
        upper: upper tolerance limit; None: open.
        expanded_uncertainty: U of the reading, in the unit of the limits.
        rule: decision rule.
        coverage_factor: k of U; the risk rules need u = U/k.

    Raises:
        ValueError: U or k not more than zero.
    """
    w = guard_band(lower, upper, expanded_uncertainty, rule, coverage_factor=coverage_factor)
    return Zone(lower=None if lower is None else lower + w, upper=None if upper is None else upper - w)


@lru_cache(maxsize=4096)
def guard_band(
    lower: float | None, upper: float | None, expanded_uncertainty: float, rule: Rule, *, coverage_factor: float = 2.0
) -> float:
    """Width w of the guard band at each limit, in the unit of the limits.

    Raises:
        ValueError: U or k not more than zero.
    """
    if rule.kind == "simple":
        return 0.0
    if not (math.isfinite(expanded_uncertainty) and expanded_uncertainty > 0):
        raise ValueError(f"the expanded uncertainty must be more than zero, not {expanded_uncertainty!r}")
    if not (math.isfinite(coverage_factor) and coverage_factor > 0):
        raise ValueError(f"the coverage factor must be more than zero, not {coverage_factor!r}")
    if rule.kind == "guard_band":
        return rule.r * expanded_uncertainty
    from hil.core.risk import Process, global_guard, specific_guard  # late: scipy, for these two rules only

    zone, u = Zone(lower=lower, upper=upper), expanded_uncertainty / coverage_factor
    risk = rule.max_risk if rule.max_risk is not None else 0.0  # a rule without it cannot exist
    if rule.kind == "specific_risk":
        return specific_guard(zone, u, risk)
    mean = rule.process_mean
    if mean is None:
        mean = (lower + upper) / 2 if lower is not None and upper is not None else None
    if mean is None or rule.process_sd is None:
        raise ValueError("the rule global_risk needs process_mean beside a one-sided limit")
    return global_guard(Process(mean=mean, sd=rule.process_sd), u, zone, risk, conditional=rule.risk == "conditional")


def uncertainty_ratio(lower: float | None, upper: float | None, expanded_uncertainty: float) -> float | None:
    """Test uncertainty ratio TUR = (TU − TL)/(2U); None for one-sided limits, which have none."""
    if lower is None or upper is None:
        return None
    if not expanded_uncertainty > 0:
        raise ValueError(f"the expanded uncertainty must be more than zero, not {expanded_uncertainty!r}")
    return (upper - lower) / (2 * expanded_uncertainty)
