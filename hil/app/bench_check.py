"""Is the bench ready? Instruments, jig and check parts measured against limits and against their own history.

Two stages. With the jig empty: the supply puts out what it says, the needles are insulated from each other, the room is
at temperature. With the golden unit in the jig - a good unit that stays with the bench -: the needles touch, counter
and generator agree through the meter's timebase, the jig adds no more capacitance and inductance than it may, and the
check parts read what they have always read. The golden unit is a means of transfer: nothing here judges it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from hil.app.bench_control import GOLDEN
from hil.app.open_bench import Bench
from hil.app.power import Power
from hil.core.check_standard import Series, expected
from hil.core.equipment import Accuracy, Kit, Part
from hil.core.ledger import ReadinessValue
from hil.core.limit import Zone
from hil.core.readiness import common, jig_elements
from hil.core.records import Verdict
from hil.core.units import show
from hil.errors import BenchError
from hil.files.bench import BenchFile
from hil.wire.instrument import parse_identity
from hil.wire.meter import numbers

SUPPLY_V, SUPPLY_LIMIT_A = 5.0, 0.05
GENERATOR_HZ, GENERATOR_V = 4e6, 5.0  # T0 takes up to 6.4 MHz at 16 MHz
ISOLATION_OHM = 1e6
WARM_UP_S = 20.0
COUNTS = 5e-6  # counting in 1 s gates at 600 kHz, both ways, and what the oscillator drifts meanwhile
RIGHT_PART = 0.05  # a check part further off than this is another part
REPEATS = 0.001  # relative; readings of one part by one meter agree better than this (common practice, no source)
RATIO_REPEATS = 3e-6  # two gates of 1 s at 600 kHz, a count each; less than that is no change
NOT_ON_THIS_BENCH = "the bench has no "
NO_COMMANDS = f"{NOT_ON_THIS_BENCH}meter that takes commands"


class Watcher(Protocol):
    """Told of every value as it is measured."""

    def __call__(self, value: ReadinessValue) -> None: ...


@dataclass(kw_only=True)
class _Check:
    """One readiness check under way."""

    spec: BenchFile
    kit: Kit
    bench: Bench
    earlier: Mapping[str, Series]
    seen: Watcher
    values: list[ReadinessValue] = field(default_factory=list)
    _fitted: str = ""  # by hand

    def judge(self, name: str, value: float, unit: str, zone: Zone, *, least: float | None = None) -> None:
        """Take one value; with `least` it is a check standard, and must be what it has always been within ± that."""
        history = None
        if least is not None:
            known = self.earlier.get(name) or Series(name=name, unit=unit, points=(), least=least)
            history = replace(known, least=least)
        zone_now = expected(history) if history is not None else None
        allowed = common(zone, zone_now)
        reason = ""
        if value not in zone:
            reason = f"{_shown(value, unit)} is outside {_words(zone, unit)}"
        elif history is not None and value not in allowed:
            reason = f"{_shown(value, unit)} is not what it was in {len(history.baseline)} checks: "
            reason += _words(allowed, unit)
        elif history is not None and zone_now is None:
            reason = f"only {len(history.baseline)} earlier checks to compare with"
        verdict = Verdict.PASS if value in allowed else Verdict.FAIL
        finite = value if abs(value) != float("inf") else None
        self._take(
            ReadinessValue(
                name=name, value=finite, unit=unit, verdict=verdict, reason=reason or ("over range" * (finite is None)),
                lower=allowed.lower, upper=allowed.upper, least=least,
            )
        )  # fmt: skip

    def leave_out(self, name: str, unit: str, reason: str) -> None:
        """Say why something is not measured."""
        self._take(ReadinessValue(name=name, value=None, unit=unit, verdict=Verdict.NOT_MEASURED, reason=reason))

    def _take(self, value: ReadinessValue) -> None:
        self.values.append(value)
        self.seen(value)

    def lacks(self, name: str, unit: str, *roles: str) -> bool:
        """Whether a role is missing; then the value is left out."""
        missing = next((role for role in roles if role not in self.spec.available), None)
        if missing:
            self.leave_out(name, unit, f"{NOT_ON_THIS_BENCH}{missing}")
        return missing is not None

    def accuracy(self, role: str, quantity: str, otherwise: Accuracy) -> Accuracy:
        """Stated accuracy of an instrument."""
        return self.spec.roles[role].accuracy.get(quantity, otherwise)

    def probe(self, point: str, instrument: str = "voltmeter") -> None:
        """Selector or operator."""
        if self.bench.selector is not None:
            self.bench.selector.probe(point)
        else:
            self.bench.operator.probe(point, instrument)

    def fit(self, name: str) -> None:
        """Selector or operator."""
        if self.bench.selector is not None:
            self.bench.selector.fit(name)
        elif name != self._fitted:
            self.bench.operator.fit(name, self.kit[name].description or name)
            self._fitted = name

    def ask(self, command: str) -> float:
        """A number from the golden unit."""
        return numbers(command, self.bench.meter.ask(command))[0]

    @property
    def listens(self) -> bool:
        """Whether the golden unit only prints: neither who it is nor the jig's elements can be asked of it."""
        return self.spec.meter is not None and self.spec.meter.protocol == "listen"

    @property
    def points(self) -> list[str]:
        """Test points that the voltmeter can reach."""
        return [point for point in self.spec.probes if point != "TP_T0"]


def measure(
    spec: BenchFile,
    kit: Kit,
    bench: Bench,
    *,
    earlier: Mapping[str, Series],
    attempt: int,
    seen: Watcher,
    values: list[ReadinessValue],
    faults: Sequence[str] = (),
) -> None:
    """Measure everything that the bench allows; what has been measured is in `values` even when it ends in trouble.

    Args:
        earlier: what the check standards read before, by name.
        attempt: how often this golden unit was checked, this time included.

    Raises:
        BenchError: the bench is in trouble, or another unit than the golden one is in the jig.
        UnitError: the golden unit does not answer as it should.
    """
    check = _Check(spec=spec, kit=kit, bench=bench, earlier=earlier, seen=seen, values=values)
    if not bench.operator.confirm("Take any unit out of the jig. Is the jig empty?"):
        raise BenchError("The jig is not empty. Take the unit out and start the readiness check again.")
    _empty_jig(check)
    if not spec.jig.golden_unit:
        _room(check)
        check.leave_out(GOLDEN, "", f"{spec.file}: jig.golden_unit is missing. Name a good unit that stays here.")
        return
    if check.lacks(GOLDEN, "", "meter"):
        _room(check)
        return
    bench.insert(spec.jig.golden_unit, attempt=attempt, faults=faults)
    _room(check)
    _contacts(check)
    power = Power(bench)
    try:
        if check.listens:
            check.fit("open")  # such firmware calibrates itself when it starts
        power.on()
        _refuse_stranger(check)
        bench.clock.sleep(WARM_UP_S)
        _rail(check)
        _counter_against_generator(check)
        _jig(check)
        for name in spec.jig.check_parts:
            _check_part(check, kit[name])
    finally:
        power.off()


def _empty_jig(check: _Check) -> None:
    supply, bench = check.bench.supply, check.bench
    if not check.lacks("supply", "V", "supply") and supply is not None:
        stated = check.accuracy("supply", "voltage", Accuracy(relative=0.01, absolute=0.02))
        current = check.accuracy("supply", "current", Accuracy(absolute=0.002))
        supply.set(SUPPLY_V, SUPPLY_LIMIT_A)
        rest_v = 2 * stated.half_width(0.0)
        check.judge("supply_off", supply.voltage_v(), "V", Zone(lower=-rest_v, upper=rest_v))
        supply.on()
        try:
            within_v = 2 * stated.half_width(SUPPLY_V)  # setting and readback have the stated accuracy each
            zone = Zone(lower=SUPPLY_V - within_v, upper=SUPPLY_V + within_v)
            check.judge("supply_on", supply.voltage_v(), "V", zone)
            rest_a = 2 * current.half_width(0.0)
            check.judge("supply_idle", supply.current_a(), "A", Zone(lower=-rest_a, upper=rest_a))
        finally:
            supply.off()
    if not check.lacks("isolation", "ohm", "voltmeter") and bench.voltmeter is not None:
        for point in check.points:
            if point != "GND":
                check.probe(f"{point}:GND")
                zone = Zone(lower=ISOLATION_OHM, upper=None)
                check.judge(f"isolation_{point}", bench.voltmeter.resistance_ohm(), "ohm", zone)


def _room(check: _Check) -> None:
    bench = check.bench
    if not check.lacks("temperature", "degC", "thermometer") and bench.thermometer is not None:
        ranges = [part.temperature_range_degc for part in check.kit.parts.values()] or [(18.0, 28.0)]
        zone = Zone(lower=max(low for low, _ in ranges), upper=min(high for _, high in ranges))
        check.judge("temperature", bench.thermometer.temperature_degc(), "degC", zone)


def _contacts(check: _Check) -> None:
    limit = check.spec.jig.contact_resistance_ohm
    if limit is None or check.lacks("contact", "ohm", "voltmeter") or check.bench.voltmeter is None:
        return
    for point in check.points:
        check.probe(f"{point}:{point}")
        check.judge(f"contact_{point}", check.bench.voltmeter.resistance_ohm(), "ohm", Zone(lower=0.0, upper=limit))


def _refuse_stranger(check: _Check) -> None:
    wanted = check.spec.jig.golden_unit
    if check.listens:
        check.leave_out("golden_identity", "", NO_COMMANDS)
        return
    answer = check.bench.meter.ask("*IDN?")
    try:
        serial = parse_identity(answer).serial
    except ValueError as problem:
        raise BenchError(f"The golden unit answers '*IDN?' with {answer!r}: {problem}.") from None
    # Virtual units come blank out of the factory; a real golden unit has had its number for long.
    if serial != wanted and not (serial == "0" and check.bench.simulated):
        raise BenchError(f"Unit {serial} is in the jig, not the golden unit {wanted}. Put the golden unit in.")


def _rail(check: _Check) -> None:
    if check.lacks("golden_5v", "V", "voltmeter") or check.bench.voltmeter is None:
        return
    check.probe("TP_5V:GND")
    stated = check.accuracy("voltmeter", "voltage", Accuracy(relative=0.001, absolute=0.002))
    least_v = 2 * stated.half_width(5.0)
    check.judge("golden_5v", check.bench.voltmeter.voltage_v(), "V", Zone(lower=4.9, upper=5.1), least=least_v)


def _counter_against_generator(check: _Check) -> None:
    """The meter counts both; its timebase error cancels from the ratio."""
    name, bench = "counter_against_generator", check.bench
    if check.lacks(name, "", "counter", "generator") or bench.counter is None or bench.generator is None:
        return
    if check.listens:
        check.leave_out(name, "", NO_COMMANDS)
        return
    check.fit("open")
    bench.meter.tell("SENS:FUNC CAP")
    check.probe("TP_COMP", "counter")
    before, counted, after = (
        check.ask("MEAS:FREQ?"), bench.counter.frequency_hz(1.0), check.ask("MEAS:FREQ?"),
    )  # fmt: skip
    bench.generator.square(GENERATOR_HZ, GENERATOR_V)
    try:
        check.probe("TP_T0", "generator")
        generated = check.ask("MEAS:FREQ?")
    finally:
        bench.generator.off()
    if not (counted > 0 and generated > 0 and before > 0):
        raise BenchError("Nothing oscillates at TP_COMP or T0 of the golden unit. Check needles, counter, generator.")
    ratio = counted / ((before + after) / 2) * generated / GENERATOR_HZ
    unknown = Accuracy(relative=50e-6)  # of a plain crystal; common practice, no source
    within = COUNTS + sum(check.accuracy(role, "frequency", unknown).relative for role in ("counter", "generator"))
    check.probe("GND", "generator")
    check.judge(name, ratio - 1, "", Zone(lower=-within, upper=within), least=RATIO_REPEATS)


def _jig(check: _Check) -> None:
    def pair(function: str, part: str) -> tuple[float, float]:
        check.fit(part)
        tell(f"SENS:FUNC {function}")
        tell("DIAG:REL2 OFF")
        bare = check.ask("MEAS:FREQ?")
        tell("DIAG:REL2 ON")
        loaded = check.ask("MEAS:FREQ?")
        tell("DIAG:REL2 OFF")
        return bare, loaded

    if check.listens:
        check.leave_out("jig_open", "F", NO_COMMANDS)
        check.leave_out("jig_shorted", "H", NO_COMMANDS)
        return
    tell: Callable[[str], None] = check.bench.meter.tell
    opened, shorted = pair("CAP", "open"), pair("IND", "short")
    try:
        found = jig_elements(opened, shorted, check.ask("CAL:CCAL?"))
    except ValueError as problem:
        raise BenchError(f"The jig cannot be measured with the golden unit: {problem}.") from None
    jig = check.spec.jig
    check.judge("jig_open", found.capacitance_f, "F", Zone(lower=0.0, upper=jig.open_capacitance_f), least=0.1e-12)
    check.judge("jig_shorted", found.inductance_h, "H", Zone(lower=0.0, upper=jig.short_inductance_h), least=10e-9)


def _check_part(check: _Check, part: Part) -> None:
    name = f"part_{part.name}"
    if part.unit not in ("F", "H"):
        check.leave_out(name, part.unit, f"{NOT_ON_THIS_BENCH}way to measure a {part.kind}")
        return
    function, zero_with = ("CAP", "open") if part.unit == "F" else ("IND", "short")
    if not check.listens:
        check.fit("open")
        if check.ask("CAL:ALL?") != 0:
            raise BenchError("The golden unit cannot calibrate itself. Check what is at its terminals, or replace it.")
    check.bench.meter.tell(f"SENS:FUNC {function}")
    if not check.listens:
        check.fit(zero_with)
        check.ask("CAL:ZERO?")
    check.fit(part.name)
    value = check.ask("READ?")
    right = Zone(lower=part.value * (1 - RIGHT_PART), upper=part.value * (1 + RIGHT_PART))
    check.judge(name, value, part.unit, right, least=REPEATS * part.value)


def _words(zone: Zone, unit: str) -> str:
    if zone.lower is None or zone.upper is None:
        bound, sign = (zone.upper, "≤") if zone.lower is None else (zone.lower, "≥")
        return f"{sign} {_shown(bound, unit)}"
    return f"{_shown(zone.lower, unit)} … {_shown(zone.upper, unit)}"


def _shown(value: float | None, unit: str) -> str:
    return f"{value * 1e6:.2f} ppm" if unit == "" and value is not None else show(value, unit)
