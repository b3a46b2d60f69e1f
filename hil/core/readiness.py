"""Arithmetic of the readiness check: what the jig adds to a meter, and whether a value is what it has always been.

The jig, absolutely, from four frequencies of one meter: with K1 at capacitance and the terminals open the tank is
L1 and C1 + C_jig; with K1 at inductance and the terminals shorted it is L1 + L_jig and C1. Each pair with and without
Ccal gives both elements of its tank (`hil.core.lc.tank`); their differences are the jig with the meter's own
terminals. The meter's L1, C1 and timebase cancel, and Ccal's error enters only relatively (our own derivation).
"""

import math
from collections.abc import Sequence

from hil.core.lc import Tank, tank
from hil.core.limit import Zone

COVERAGE = 0.9973  # of the prediction interval: what ±3σ is for a normal quantity
LEAST_HISTORY = 3


def jig_elements(open_hz: tuple[float, float], shorted_hz: tuple[float, float], ccal_f: float) -> Tank:
    """Capacitance across the open terminals and inductance through the shorted ones, F and H.

    Args:
        open_hz: frequency without and with Ccal, K1 at capacitance, terminals open.
        shorted_hz: the same with K1 at inductance, terminals shorted.
        ccal_f: the meter's Ccal.

    Raises:
        ValueError: Ccal does not lower a frequency, or there is none.
    """
    with_jig, without = tank(*open_hz, ccal_f), tank(*shorted_hz, ccal_f)
    return Tank(
        capacitance_f=with_jig.capacitance_f - without.capacitance_f,
        inductance_h=without.inductance_h - with_jig.inductance_h,
    )


def zone_of_history(history: Sequence[float], *, least: float) -> Zone | None:
    """Where the next value is to be expected from the earlier ones; None while there are too few to tell.

    Prediction interval mean ± t·s·√(1 + 1/n) for normal values (ISO 16269-8), never narrower than ± `least`: a
    history that happens to agree within the resolution must not refuse the next good value.
    """
    n = len(history)
    if n < LEAST_HISTORY:
        return None
    from scipy.stats import t  # late: it costs more than the rest of the check

    mean = math.fsum(history) / n
    deviation = math.sqrt(math.fsum((value - mean) ** 2 for value in history) / (n - 1))
    half = max(float(t.ppf((1 + COVERAGE) / 2, n - 1)) * deviation * math.sqrt(1 + 1 / n), least)
    return Zone(lower=mean - half, upper=mean + half)


def common(first: Zone, second: Zone | None) -> Zone:
    """What lies in both."""
    if second is None:
        return first
    lowers = [bound for bound in (first.lower, second.lower) if bound is not None]
    uppers = [bound for bound in (first.upper, second.upper) if bound is not None]
    return Zone(lower=max(lowers, default=None), upper=min(uppers, default=None))
