"""Budgets of a run: what bench file, kit and reading say, put into `hil.core.reading_budget`."""

from hil.app.unit_run import BudgetFor, Taken
from hil.core.budget import Budget
from hil.core.reading_budget import Circumstances, error_budget, quantity_budget
from hil.files.bench import BenchFile


def circumstances_of(bench: BenchFile, today: str) -> Circumstances:
    """What holds for all readings on a bench."""
    accuracies = {
        (name, quantity): accuracy for name, role in bench.roles.items() for quantity, accuracy in role.accuracy.items()
    }
    thermometer = accuracies.get(("thermometer", "temperature"))
    half_width_k = thermometer.absolute if thermometer is not None else 2.0
    return Circumstances(today=today, accuracies=accuracies, temperature_half_width_k=half_width_k)


def budgets_of(bench: BenchFile, today: str) -> BudgetFor:
    """The function that gives each judged reading its budget."""
    circumstances = circumstances_of(bench, today)

    def budget_for(taken: Taken) -> Budget | None:
        if taken.limit.part is not None and taken.part is not None and taken.part.present is not None:
            if taken.limit.unit == taken.part.unit:
                return error_budget(
                    taken.value,
                    taken.part,
                    taken.limit.unit,
                    circumstances,
                    repeats=taken.repeats,
                    temperature_degc=taken.temperature_degc,
                )
            return None
        return quantity_budget(taken.value, taken.limit.unit, taken.instruments, circumstances, repeats=taken.repeats)

    return budget_for
