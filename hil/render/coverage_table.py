"""A coverage for the terminal: totals by class, what is not caught and why, rows, groups, order and length."""

import math
from collections.abc import Callable, Sequence
from typing import TextIO

from hil.core.check_order import Left
from hil.core.coverage import FaultCoverage, State, Total
from hil.core.coverage_result import CoverageResult, OrderFound

Say = Callable[[str], None]
MOST_LISTED = 25
WIDTH = 118


def print_coverage(found: CoverageResult, screen: TextIO, *, everything: bool = False) -> None:
    """Print all of it.

    Args:
        everything: list every fault that is not caught and every component, not only the first ones.
    """

    def say(text: str) -> None:
        print(text, file=screen)

    coverage = found.coverage
    say(f"{found.trials} of {found.planned_trials} units tried; {len(coverage.tried)} faults")
    if coverage.good:
        failed = coverage.good_failed
        words = f"{len(coverage.good)} good units, of which {len(failed)} not passed"
        say(words + "".join(f"; {one.trial.serial}: {', '.join(one.failed) or one.trouble}" for one in failed[:5]))
    say("")
    _totals("class", (*coverage.by_class(), coverage.total()), say)
    weakest = sorted(coverage.by_component(), key=lambda one: (one.weighted_share, -one.weight))
    say("Components, the least covered first:")
    _totals("component", weakest if everything else weakest[:15], say)
    missed = coverage.not_caught()
    visible = [one for one in missed if one.escapes]
    _faults(f"Could be seen in a unit that passed: {len(visible)}", visible, say, everything)
    unseen = [one for one in missed if not one.escapes]
    _faults(f"Nothing shows it where it passed, or nobody has looked: {len(unseen)}", unseen, say, everything)
    _rows(found, say)
    _groups(found.groups, say, everything)
    _order(found.order, say)


def _percent(share: float) -> str:
    return "—" if math.isnan(share) else f"{share:.1%}"


def _totals(what: str, totals: Sequence[Total], say: Say) -> None:
    say(f"  {what:<20}{'faults':>7}{'caught':>9}{'by weight':>11}{'visible':>9}{'caught':>9}{'by weight':>11}")
    for one in totals:
        say(
            f"  {one.name:<20}{one.faults:>7}{_percent(one.share):>9}{_percent(one.weighted_share):>11}"
            f"{one.visible:>9.1f}{_percent(one.visible_share):>9}{_percent(one.visible_weighted_share):>11}"
        )
    say("")


def _faults(title: str, faults: Sequence[FaultCoverage], say: Say, everything: bool) -> None:
    say(title)
    shown = faults if everything else faults[:MOST_LISTED]
    for one in shown:
        how = f"{one.caught} of {one.units}" if one.state is State.SOMETIMES else "no"
        say(f"  {one.fault.name:<24}{how:>7}  {one.reason}")
    if len(shown) < len(faults):
        say(f"  … and {len(faults) - len(shown)} more (--all)")
    say("")


def _rows(found: CoverageResult, say: Say) -> None:
    rows = sorted(found.coverage.rows, key=lambda row: -row.weight_alone)
    say("Rows that catch most of what nothing else catches (in a unit where it alone failed):")
    for row in rows[:12]:
        if row.alone:
            say(f"  {row.name:<24}{row.faults:>5} faults, {row.alone:>4} alone, {row.weight_alone:.2%} of the weight")
    say("")
    idle = found.coverage.idle_rows()
    say(f"Rows that catch nothing that another does not: {len(idle)}")
    for line in _wrapped(idle):
        say(f"  {line}")
    say("")


def _groups(groups: Sequence[Sequence[str]], say: Say, everything: bool) -> None:
    if not groups:
        say("Groups that no reading tells apart: none, or too few good units were tried.\n")
        return
    sizes = ", ".join(f"{count} of {size} faults" for size, count in _counted([len(group) for group in groups]))
    say(f"Groups that no reading tells apart (pairwise error above 25 %): {sizes}")
    for group in groups if everything else groups[:8]:
        lines = _wrapped([name or "no fault" for name in group])
        say(f"  {len(group):>3}: {lines[0]}")
        for line in lines[1 : None if everything else 3]:
            say(f"       {line}")
    say("")


def _counted(sizes: Sequence[int]) -> list[tuple[int, int]]:
    return [(size, sizes.count(size)) for size in sorted(set(sizes), reverse=True)]


def _order(order: OrderFound, say: Say) -> None:
    say(f"Time: a good unit takes {order.good_s:.1f} s.")
    if math.isnan(order.planned_s):
        return
    say(f"  until the first failed row, on average: {order.planned_s:.1f} s as planned,")
    say(f"  {order.best_s:.1f} s in the order that begins with")
    for line in _wrapped(order.best[:30]):
        say(f"    {line}")
    say("  'hil coverage --order FILE' writes the order, 'hil check --first-fail --order FILE' goes by it.")
    if order.left:
        say("  What could be left out, one after the other, at what loss of the weight of all faults:")
        for one in _spaced(order.left):
            say(f"    up to {one.name:<22} saves {one.saved_s:6.1f} s, loses {one.loss:.2%}")


def _spaced(left: Sequence[Left]) -> list[Left]:
    """A dozen of many, the last among them."""
    step = max(1, len(left) // 12)
    return [*left[step - 1 : -1 : step], left[-1]]


def _wrapped(words: Sequence[str]) -> list[str]:
    import textwrap

    return textwrap.wrap("  ".join(words), WIDTH - 8, break_long_words=False, break_on_hyphens=False) or ["—"]
