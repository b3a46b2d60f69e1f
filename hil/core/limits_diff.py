"""What a change of limits means, in plain words: per row, and whether it may turn a pass into a fail.

stricter   something that passed may fail now: narrower, a new row, a guard band
looser     something that failed may pass now: wider, a row taken away
different  either may happen: moved, another part, another condition
none       no verdict changes: title, reason
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from hil.core.limit import Limit, Limits, Rule, Tolerance
from hil.core.records import Value
from hil.core.units import show


class Effect(StrEnum):
    """What a change does to verdicts."""

    STRICTER = "stricter"
    LOOSER = "looser"
    DIFFERENT = "different"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One difference; ``name`` is the row, or "" for the file as a whole."""

    name: str
    words: str
    effect: Effect

    def __str__(self) -> str:
        mark = "" if self.effect is Effect.NONE else f" ({self.effect})"
        return f"{self.name}: {self.words}{mark}" if self.name else f"{self.words}{mark}"


def difference(old: Limits, new: Limits) -> tuple[Change, ...]:
    """All changes from one limits file to another, the file as a whole first, then in the order of the new rows."""
    before = {row.name: row for row in old.rows}
    after = {row.name: row for row in new.rows}
    changes = list(_whole(old, new))
    for name, row in after.items():
        if name not in before:
            changes.append(Change(name=name, words=f"new: {_demand(row)}", effect=Effect.STRICTER))
        else:
            changes += _row(before[name], row)
    for name, row in before.items():
        if name not in after:
            changes.append(Change(name=name, words=f"taken away; it was {_demand(row)}", effect=Effect.LOOSER))
    return tuple(changes)


def _whole(old: Limits, new: Limits) -> Iterator[Change]:
    if old.board != new.board:
        yield Change(name="", words=f"board {old.board} is now {new.board}", effect=Effect.DIFFERENT)
    if old.revision != new.revision:
        yield Change(name="", words=f"revision {old.revision} is now {new.revision}", effect=Effect.NONE)
    if old.attempts != new.attempts:
        effect = Effect.STRICTER if new.attempts < old.attempts else Effect.LOOSER
        yield Change(name="", words=f"attempts: {new.attempts} instead of {old.attempts}", effect=effect)
    for scope in new.scopes:
        if scope not in old.scopes:
            yield Change(name="", words=f"new scope '{scope}': {new.scopes[scope]}", effect=Effect.NONE)
        elif old.scopes[scope] != new.scopes[scope]:
            yield Change(name="", words=f"scope '{scope}' is now described as: {new.scopes[scope]}", effect=Effect.NONE)
    for scope in old.scopes:
        if scope not in new.scopes:
            yield Change(name="", words=f"scope '{scope}' taken away", effect=Effect.DIFFERENT)


def _row(old: Limit, new: Limit) -> Iterator[Change]:
    name = new.name

    def change(words: str, effect: Effect) -> Change:
        return Change(name=name, words=words, effect=effect)

    if old.unit != new.unit:
        yield change(f"is in {new.unit or 'no unit'} instead of {old.unit or 'no unit'}", Effect.DIFFERENT)
    elif old.is_numeric and new.is_numeric and (old.tolerance is not None) == (new.tolerance is not None):
        yield from _numbers(old, new)
    elif _demand(old) != _demand(new):
        yield change(f"{_demand(new)} instead of {_demand(old)}", Effect.DIFFERENT)
    if old.part != new.part:
        yield change(f"measured with {new.part or 'no part'} instead of {old.part or 'no part'}", Effect.DIFFERENT)
    if dict(old.at) != dict(new.at):
        yield change(f"measured at {_conditions(new)} instead of {_conditions(old)}", Effect.DIFFERENT)
    gained = [scope for scope in new.scopes if scope not in old.scopes]
    lost = [scope for scope in old.scopes if scope not in new.scopes]
    if gained:
        yield change(f"now also in scope {', '.join(gained)}", Effect.STRICTER)
    if lost:
        yield change(f"no longer in scope {', '.join(lost)}", Effect.LOOSER)
    if old.rule != new.rule:
        yield change(f"rule {_rule(new.rule)} instead of {_rule(old.rule)}", _rule_effect(old.rule, new.rule))
    if old.margin != new.margin:
        yield change(f"margin for firmware {new.margin or 'none'} instead of {old.margin or 'none'}", Effect.NONE)
    if old.title != new.title:
        yield change(f"title '{new.title}' instead of '{old.title}'", Effect.NONE)
    if old.reason != new.reason:
        yield change(f"reason '{new.reason}' instead of '{old.reason}'", Effect.NONE)


def _numbers(old: Limit, new: Limit) -> Iterator[Change]:
    unit = new.unit
    if old.tolerance is not None and new.tolerance is not None:
        if old.tolerance != new.tolerance:
            words = f"tolerance {_tolerance(new.tolerance, unit)} instead of {_tolerance(old.tolerance, unit)}"
            yield Change(name=new.name, words=words, effect=_tolerance_effect(old.tolerance, new.tolerance))
        if old.nominal != new.nominal:
            words = f"around {_nominal(new)} instead of {_nominal(old)}"
            yield Change(name=new.name, words=words, effect=Effect.DIFFERENT)
        return
    for side, before, after in (("lower", old.lower, new.lower), ("upper", old.upper, new.upper)):
        if before == after:
            continue
        if before is None or after is None:
            words = f"{side} limit {_value(after, unit)} instead of {_value(before, unit)}"
            effect = Effect.STRICTER if before is None else Effect.LOOSER
        else:
            tighter = after > before if side == "lower" else after < before
            words = f"{side} limit {_value(after, unit)} instead of {_value(before, unit)}"
            words += f", {'narrower' if tighter else 'wider'} by {show(abs(after - before), unit, 3)}"
            effect = Effect.STRICTER if tighter else Effect.LOOSER
        yield Change(name=new.name, words=words, effect=effect)


def _tolerance_effect(old: Tolerance, new: Tolerance) -> Effect:
    steps = (new.relative - old.relative, new.absolute - old.absolute)
    if all(step <= 0 for step in steps):
        return Effect.STRICTER
    return Effect.LOOSER if all(step >= 0 for step in steps) else Effect.DIFFERENT


def _rule_effect(old: Rule, new: Rule) -> Effect:
    if old.kind == "simple":
        return Effect.STRICTER
    if new.kind == "simple":
        return Effect.LOOSER
    if old.kind == new.kind == "guard_band" and old.r != new.r:
        return Effect.STRICTER if new.r > old.r else Effect.LOOSER
    return Effect.DIFFERENT


def _rule(rule: Rule) -> str:
    words = rule.kind
    if rule.kind == "guard_band":
        words += f" with r = {rule.r:g}"
    elif rule.max_risk is not None:
        words += f" of at most {rule.max_risk * 100:g} %"
    if rule.kind == "global_risk":
        words += f" ({rule.risk})"
    if not rule.binary:
        words += ", not binary"
    if rule.accepts_conditional:
        words += ", conditional forms accepted"
    return words + (f", repeated {rule.repeats} times" if rule.repeats > 1 else "")


def _tolerance(tolerance: Tolerance, unit: str) -> str:
    terms = [f"{tolerance.relative * 100:g} %"] if tolerance.relative else []
    terms += [show(tolerance.absolute, unit, 3)] if tolerance.absolute else []
    return f"±({' + '.join(terms)})" if len(terms) > 1 else f"±{terms[0]}"


def _value(value: float | None, unit: str) -> str:
    return "none" if value is None else show(value, unit, 6)


def _nominal(limit: Limit) -> str:
    return f"the value of {limit.part}" if limit.nominal is None else show(limit.nominal, limit.unit, 6)


def _conditions(limit: Limit) -> str:
    return ", ".join(f"{key} = {_said(value)}" for key, value in limit.at.items()) or "no conditions"


def _said(value: Value) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _demand(limit: Limit) -> str:
    if limit.expected is not None:
        return f"'{limit.expected}'" if isinstance(limit.expected, str) else ("yes" if limit.expected else "no")
    if limit.tolerance is not None:
        return f"{_nominal(limit)} {_tolerance(limit.tolerance, limit.unit)}"
    if limit.lower is None:
        return f"at most {_value(limit.upper, limit.unit)}"
    if limit.upper is None:
        return f"at least {_value(limit.lower, limit.unit)}"
    return f"{_value(limit.lower, limit.unit)} to {_value(limit.upper, limit.unit)}"
