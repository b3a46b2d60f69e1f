"""Trouble that is not on the board: instruments, jig, person, firmware. ``TARGET=EFFECT``, as board faults are.

    bench.ROLE=silent garbage wrong_identity partial vanish [@N]   an instrument, or bench.meter, the serial port
    bench.meter=reboot[@N]                    somebody resets the meter, once
    bench.ROLE.QUANTITY=+3% | -20mV           an instrument that has lost its calibration
    bench.contact.POINT=20ohm | open          a bad needle of the jig
    bench.operator=wrong_part [@PART]         fits a neighbour of the part asked for, once
    bench.operator=mistypes                   types a wrong display text
    bench.jig.QUANTITY=+0.5pF                 a jig that differs from the drawing; quantities: capacitance, inductance
                                              and resistance at the terminals, contact of each needle
    bench.jig.QUANTITY.fitting=0.05pF         and is another each time a unit is put in: standard deviation
    bench.operators.QUANTITY=0.1pF            people differ in how they close it: standard deviation among them
    bench.operator.NAME.QUANTITY=+0.3pF       and this is what one of them does
    bench.part.NAME=+3%                       a reference part that is no more what its certificate says
    firmware=hangs [@S]                       hangs S seconds after each start, and the watchdog resets it
    firmware=NAME                             wrong in one of the ways of hil.sim.meter_bugs, e.g. late_rounding
    firmware=prints_only                      takes no commands and prints each reading: for a bench that only listens
    eeprom=corrupt | other_serial             stored constants with a bad checksum; serial number of another unit

``@N``: N messages go well before (default: none does).
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from hil.core.units import parse_quantity
from hil.sim.meter_bugs import BUGS
from hil.sim.setup import KINDS

_PORT_EFFECTS = ("silent", "garbage", "wrong_identity", "partial", "vanish")
_QUANTITIES = {"voltage": "V", "current": "A", "resistance": "ohm", "frequency": "Hz", "temperature": "degC"}
_TARGETS = {
    "bench.operator": ("wrong_part", "mistypes"),
    "bench.meter": (*_PORT_EFFECTS, "reboot"),
    **{f"bench.{kind}": _PORT_EFFECTS for kind in KINDS},
    "firmware": ("hangs", *BUGS),
    "eeprom": ("corrupt", "other_serial"),
}
_DEFAULT_HANG_S = 3.0
JIG_QUANTITIES = {"capacitance": "F", "inductance": "H", "resistance": "ohm", "contact": "ohm"}
_JIG, _FITTING, _OPERATORS, _OPERATOR = "bench.jig.", ".fitting", "bench.operators.", "bench.operator."


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One trouble.

    Args:
        relative, absolute: of an instrument out of calibration; `absolute` also the resistance of a bad contact.
        after: number of messages that go well before, or seconds.
        detail: name of a part.
    """

    target: str
    effect: str
    relative: float = 0.0
    absolute: float = 0.0
    after: float = 0.0
    detail: str = ""

    def is_on(self, messages: int) -> bool:
        """Whether it has begun, after so many messages; without a number it is there from the start."""
        return self.after == 0 or messages > self.after


def is_trouble(text: str) -> bool:
    """Whether a fault names the bench or the firmware, not the board."""
    target = text.partition("=")[0].strip()
    return target.startswith("bench.") or target in _TARGETS


def parse_trouble(text: str) -> Trouble:
    """Read one trouble.

    Raises:
        ValueError: unknown target or effect, listing what is allowed.
    """
    target, equals, effect = (piece.strip() for piece in text.partition("="))
    if not equals:
        raise ValueError(f"{text!r}: write TARGET=EFFECT, for example bench.voltmeter=silent")
    if target.startswith("bench.contact."):
        return Trouble(target=target, effect="contact", absolute=_resistance(text, effect))
    if target.startswith((_JIG, _OPERATORS, _OPERATOR)):
        return _of_jig(text, target, effect)
    role, _, quantity = target.removeprefix("bench.").partition(".")
    if role == "part" and quantity:
        return Trouble(target=target, effect="moved", relative=_ratio(text, effect))
    if quantity:
        return _offset(text, target, role, quantity, effect)
    if target not in _TARGETS:
        raise ValueError(
            f"{text!r}: no such target; known: {', '.join(_TARGETS)}, bench.contact.POINT, bench.part.NAME, "
            "bench.ROLE.QUANTITY, bench.jig.QUANTITY, bench.operator.NAME.QUANTITY"
        )
    name, _, after = effect.partition("@")
    if name not in _TARGETS[target]:
        raise ValueError(f"{text!r}: {target} allows {', '.join(_TARGETS[target])}")
    if name == "wrong_part":
        return Trouble(target=target, effect=name, detail=after)
    if after and re.fullmatch(r"\d+(\.\d+)?", after) is None:
        raise ValueError(f"{text!r}: after @ stands a number, for example {name}@12")
    return Trouble(target=target, effect=name, after=float(after or (_DEFAULT_HANG_S if name == "hangs" else 0)))


def _resistance(text: str, effect: str) -> float:
    if effect == "open":
        return math.inf
    value, unit = parse_quantity(effect)
    if unit != "ohm":
        raise ValueError(f"{text!r}: a contact is 'open' or has a resistance such as 20ohm")
    return value


def _ratio(text: str, effect: str) -> float:
    value, unit = parse_quantity(effect)
    if unit != "" or not value > -1:
        raise ValueError(f"{text!r}: a part moves by a ratio such as +3%")
    return value


def _of_jig(text: str, target: str, effect: str) -> Trouble:
    """What jig, people and chance add to terminals and needles; a spread cannot be negative."""
    is_spread = target.startswith(_OPERATORS) or target.endswith(_FITTING)
    quantity = target.removesuffix(_FITTING).rpartition(".")[2]
    if quantity not in JIG_QUANTITIES or (target.startswith(_OPERATOR) and is_spread):
        raise ValueError(
            f"{text!r}: write bench.jig.QUANTITY, bench.jig.QUANTITY.fitting, bench.operators.QUANTITY or "
            f"bench.operator.NAME.QUANTITY; known quantities: {', '.join(JIG_QUANTITIES)}"
        )
    value, unit = parse_quantity(effect)
    if unit != JIG_QUANTITIES[quantity]:
        raise ValueError(f"{text!r}: {quantity} has the unit {JIG_QUANTITIES[quantity]}")
    if is_spread and value < 0:
        raise ValueError(f"{text!r}: a standard deviation is not negative")
    return Trouble(target=target, effect="spread" if is_spread else "shift", absolute=value)


def _offset(text: str, target: str, role: str, quantity: str, effect: str) -> Trouble:
    if role not in KINDS or quantity not in _QUANTITIES:
        raise ValueError(f"{text!r}: known roles: {', '.join(KINDS)}; known quantities: {', '.join(_QUANTITIES)}")
    value, unit = parse_quantity(effect)
    if unit == "":
        return Trouble(target=target, effect="offset", relative=value)
    if unit != _QUANTITIES[quantity]:
        raise ValueError(f"{text!r}: {quantity} has the unit {_QUANTITIES[quantity]}; or give a ratio such as +3%")
    return Trouble(target=target, effect="offset", absolute=value)


class Troubles:
    """All troubles of one unit in the jig."""

    def __init__(self, troubles: Iterable[Trouble] = ()) -> None:
        self._troubles = tuple(troubles)
        self._by_target = {trouble.target: trouble for trouble in self._troubles}

    def at(self, target: str) -> Trouble | None:
        """The trouble of one target."""
        return self._by_target.get(target)

    def offset(self, role: str, quantity: str) -> tuple[float, float]:
        """Relative and absolute error that an instrument has too much."""
        trouble = self._by_target.get(f"bench.{role}.{quantity}")
        return (trouble.relative, trouble.absolute) if trouble else (0.0, 0.0)

    def contact_ohm(self, point: str) -> float:
        """Resistance that a needle has too much, ohm; infinite when it does not touch."""
        trouble = self._by_target.get(f"bench.contact.{point}")
        return trouble.absolute if trouble else 0.0

    def part_moved(self, name: str) -> float:
        """By what ratio a reference part differs from what it was."""
        trouble = self._by_target.get(f"bench.part.{name}")
        return trouble.relative if trouble else 0.0

    def amount(self, target: str) -> float:
        """How much jig or people add, or how far they scatter: F, H or ohm; 0 when nothing is said of it."""
        trouble = self._by_target.get(target)
        return trouble.absolute if trouble else 0.0
