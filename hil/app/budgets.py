"""Budgets of a run: what bench file, kit and reading say, put into `hil.core.reading_budget`.

Which measurand a row has follows from its unit and its part; where that does not say it, from its name, as the checks
in tests/board read it. What is exact (texts, whole steps, stored constants) has no budget.
"""

from collections.abc import Callable
from fnmatch import fnmatchcase
from functools import cache

from hil.app.unit_run import BudgetFor, Taken
from hil.core import reading_budget as budgets
from hil.core.best_case import Unit, tank_error
from hil.core.budget import Budget
from hil.core.equipment import Accuracy, MeterUncertainty, Part
from hil.core.reading_budget import Circumstances
from hil.files.bench import BenchFile, uncertainty_of

OSCILLATOR_HZ = 600e3  # about; f1 and f2 of a nominal board stand for its own where only a ratio is judged
NOMINAL_TANK_HZ, NOMINAL_CCAL_F = (605e3, 367e3), 1.2e-9
REFERENCE_HZ = 4e6  # at T0
SUPPLY_A = 0.04  # idle
RAIL_V = 5.0  # the smallest voltage that a ratio is relative to


def circumstances_of(bench: BenchFile, today: str) -> Circumstances:
    """What holds for all readings on a bench.

    Raises:
        UsageError: the bench does not say what jig and meter add to a reading.
    """
    jig, meter = uncertainty_of(bench)

    def stated(which: str) -> dict[tuple[str, str], Accuracy]:
        return {(name, key): found for name, role in bench.roles.items() for key, found in getattr(role, which).items()}

    thermometer = stated("accuracy").get(("thermometer", "temperature"))
    return Circumstances(
        today=today,
        accuracies=stated("accuracy"),
        short_term=stated("short_term"),
        jig=jig,
        meter=meter,
        temperature_half_width_k=thermometer.absolute if thermometer is not None else jig.temperature_k,
    )


def budgets_of(bench: BenchFile, today: str) -> BudgetFor:
    """The function that gives each judged reading its budget."""
    circumstances = circumstances_of(bench, today)

    def budget_for(taken: Taken) -> Budget | None:
        return reading_budget(taken, circumstances)

    return budget_for


def reading_budget(taken: Taken, circumstances: Circumstances) -> Budget | None:
    """Budget of a reading, None for what is exact or was measured by nothing of stated accuracy."""
    limit = taken.limit
    made = _made_by_name(limit.name)
    if made is not None:
        return made(taken, circumstances)
    part = taken.part
    if part is not None and limit.unit in ("F", "H"):
        return budgets.error_budget(
            taken.value,
            part,
            limit.unit,
            circumstances,
            repeats=taken.repeats,
            temperature_degc=taken.temperature_degc,
        )
    if part is not None and part.present is not None and limit.unit == "":
        return _relative(taken, part, circumstances, is_reference=True)
    found = budgets.quantity_budget(taken.value, limit.unit, taken.instruments, circumstances, repeats=taken.repeats)
    if found is None and limit.unit == "Hz" and "meter" in taken.instruments:
        return budgets.count_budget(taken.value, circumstances, repeats=taken.repeats)
    return found


def _relative(taken: Taken, part: Part, circumstances: Circumstances, *, is_reference: bool) -> Budget | None:
    return budgets.error_budget(
        part.value * (1 + taken.value),
        part,
        part.unit,
        circumstances,
        repeats=tuple(part.value * (1 + one) for one in taken.repeats),
        temperature_degc=taken.temperature_degc,
        relative=True,
        is_reference=is_reference,
    )


Made = Callable[[Taken, Circumstances], Budget | None]


def _exact(taken: Taken, circumstances: Circumstances) -> None:
    """A whole number, a text, a stored constant: nothing about it is uncertain."""


def _adjustment_took(taken: Taken, circumstances: Circumstances) -> Budget | None:
    """Read at the very part that adjusted, fitted once: what part and jig are off by is in both readings."""
    return None if taken.part is None else _relative(taken, taken.part, circumstances, is_reference=False)


def _contact(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.quantity_budget(
        taken.value, taken.limit.unit, taken.instruments, circumstances, repeats=taken.repeats, through_leads=False
    )


def _battery(taken: Taken, circumstances: Circumstances) -> Budget | None:
    step = circumstances.meter.battery_step_v
    return budgets.quantity_budget(
        taken.value, "V", taken.instruments, circumstances, repeats=taken.repeats, resolution=step
    )


def _saturation(taken: Taken, circumstances: Circumstances) -> Budget | None:
    """The drive's voltage; the coil it is brought to is known to 0.3 %, of which half counts: nothing beside 0.5 mV."""
    return budgets.quantity_budget(taken.value, "V", ("voltmeter",), circumstances)


def _steady_averages(taken: Taken, circumstances: Circumstances) -> Budget | None:
    """Offset and gain of the voltmeter are in the largest and in the smallest."""
    key = ("voltmeter", "voltage")
    each = circumstances.short_term.get(key, circumstances.accuracies.get(key))
    return None if each is None else budgets.change_budget(taken.value, "V", "voltmeter", each.half_width(RAIL_V / 2))


def _steady_battery(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.change_budget(taken.value, "V", "meter", circumstances.meter.battery_step_v / 2)


def _lamp_current(taken: Taken, circumstances: Circumstances) -> Budget | None:
    """Offset and gain of the supply's readback are in both readings; what the rest takes cancels."""
    key = ("supply", "current")
    each = circumstances.short_term.get(key, circumstances.accuracies.get(key))
    return None if each is None else budgets.change_budget(taken.value, "A", "supply", each.half_width(SUPPLY_A))


def _drop(taken: Taken, circumstances: Circumstances) -> Budget | None:
    pack_v = 7.4
    at = taken.limit.at.get("pack")
    pack_v = at if isinstance(at, float) else pack_v
    parts = {"supply": pack_v, "voltmeter": pack_v - taken.value}
    if any((role, "voltage") not in circumstances.accuracies for role in parts):
        return None
    return budgets.difference_budget(taken.value, "V", parts, circumstances)


def _ratio(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.ratio_budget(taken.value, RAIL_V, circumstances)


def _against_reference(taken: Taken, circumstances: Circumstances) -> Budget | None:
    at = taken.limit.at.get("reference")
    reference_hz = at if isinstance(at, float) else REFERENCE_HZ
    return budgets.comparison_budget(
        taken.value, reference_hz, circumstances, against="generator", repeats=taken.repeats, noisy=False
    )


def _unreached(taken: Taken, circumstances: Circumstances) -> Budget | None:
    """As found and as left against the same reference, whose error cancels; the step between them is exact."""
    return budgets.comparison_budget(
        taken.value, REFERENCE_HZ, circumstances, counts=2, repeats=taken.repeats, noisy=False
    )


def _against_counter(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.comparison_budget(taken.value, OSCILLATOR_HZ, circumstances, against="counter")


def _free_running(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.count_budget(taken.value, circumstances, repeats=taken.repeats, is_tank=True)


def _change(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.comparison_budget(taken.value, OSCILLATOR_HZ, circumstances, counts=2)


def _warm_up(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.comparison_budget(taken.value, OSCILLATOR_HZ, circumstances, counts=2, drifting=False)


def _gates(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.comparison_budget(taken.value, REFERENCE_HZ, circumstances, counts=2, noisy=False)


def _spread(taken: Taken, circumstances: Circumstances) -> Budget | None:
    return budgets.spread_budget(taken.value, max(len(taken.repeats), 5))


def _tank(taken: Taken, circumstances: Circumstances) -> Budget | None:
    """Derived with the nominal Ccal by definition: counts, noise, timebase and jig are uncertain, Ccal is not."""
    return _tank_errors(circumstances.meter, circumstances.jig.terminals_f)[0 if taken.limit.unit == "F" else 1]


@cache
def _tank_errors(meter: MeterUncertainty, terminals_f: float) -> tuple[Budget, Budget]:
    """Of C and L of a nominal tank; the same for every unit."""
    f1_hz, f2_hz = NOMINAL_TANK_HZ
    unit = Unit(
        bare_hz=f1_hz, with_ccal_hz=f2_hz, ccal_f=NOMINAL_CCAL_F, u_ccal=0.0, meter=meter, terminals_f=terminals_f
    )
    return tank_error(unit)


_BY_NAME: tuple[tuple[str, Made], ...] = (
    ("self_test start_time timebase.reload stored_* calibration_* ccal scale port_repeats", _exact),
    ("ccal.as_left scale.as_left", _adjustment_took),
    ("contact_*", _contact),
    ("battery_*", _battery),
    ("k1_saturation", _saturation),
    ("steady_averages", _steady_averages),
    ("steady_battery", _steady_battery),
    ("lamp?_current", _lamp_current),
    ("protection_drop", _drop),
    ("aref_ratio divider_ratio output_average input_average filter_average", _ratio),
    ("timebase.as_* timebase.crystal", _against_reference),
    ("timebase.unreached", _unreached),
    ("timebase.jitter", _gates),
    ("f_open f_ccal", _free_running),
    ("f_counter", _against_counter),
    ("f_supply_*", _change),
    ("f_warm_up", _warm_up),
    ("f_repeatability", _spread),
    ("c1 l1", _tank),
)


@cache
def _made_by_name(name: str) -> Made | None:
    for patterns, made in _BY_NAME:
        if any(fnmatchcase(name, pattern) for pattern in patterns.split()):
            return made
    return None
