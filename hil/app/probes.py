"""What a comparison asks a unit besides the checks: how soon it answers, what it makes of mistakes, how it shows less
than zero.

The checks judge a unit; these probes have no limits and judge nothing. They only show whether two firmwares behave
alike. Each answer is a `Reading` named ``probe.…`` with a row that says how far it may move.
"""

import re
from collections.abc import Callable

from hil.app.open_bench import Bench
from hil.app.power import Power
from hil.core.limit import Limit
from hil.core.records import Reading, Value, Verdict
from hil.errors import MeterError, MeterSilent
from hil.real.serial_meter import SerialMeter

_MISTAKES = {
    "probe.unknown header": "FOO",
    "probe.missing argument": "CAL:CCAL",
    "probe.argument too many": "*CLS 1",
    "probe.wrong type": "CAL:CCAL ABC",
    "probe.out of range": "CAL:CCAL 5E-9",
    "probe.illegal value": "SENS:FUNC RESISTANCE",
    "probe.second serial number": 'SYST:SER "OTHER-1"',
}
_TIMES = {
    "probe.time of an answer": "*IDN?",
    "probe.time of a relay": "DIAG:REL2 ON;*OPC?",
    "probe.time of a function": "*RST;SENS:FUNC IND;*OPC?",
    "probe.time of a reading": "*RST;READ?",
    "probe.time of a calibration": "CAL:ALL?",
    "probe.time of a self-test": "*TST?",
}
_ENOUGH_SILENCES = 3  # then nobody waits for it any more
_LONG_LINE = 'DISP:TEXT "' + "A" * 90 + '"'
_SHOWN = re.compile(r"[CL]=(-?[\d.]+) ([pnum])[FH]")
_PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3}

ROWS: dict[str, Limit] = {
    **{name: Limit(name=name, title=f"answer to {text!r}", expected="") for name, text in _MISTAKES.items()},
    **{
        name: Limit(name=name, title=f"time to answer {text!r}", unit="s", lower=0.0, margin="5 ms")
        for name, text in _TIMES.items()
    },
    "probe.long line": Limit(name="probe.long line", title="a line of 102 characters, and then?", expected=""),
    "probe.registers": Limit(name="probe.registers", title="registers of IEEE 488.2", expected=""),
    "probe.reset cause": Limit(name="probe.reset cause", title="cause of the last reset at the end", expected=""),
    "probe.display of inductance": Limit(name="probe.display of inductance", title="kind and unit shown", expected=""),
    "probe.reading below zero": Limit(
        name="probe.reading below zero", title="10 pF zeroed and taken away", unit="F", upper=0.0, margin="0.1 pF"
    ),
    "probe.shown below zero": Limit(
        name="probe.shown below zero", title="the same on the display", unit="F", upper=0.0, margin="0.1 pF"
    ),
}


def probe_unit(bench: Bench, *, simulated: bool = True) -> tuple[Reading, ...]:
    """Ask everything; the unit is switched on before and off afterwards. What it does not answer has no value.

    Raises:
        BenchError: the bench is in trouble.
    """
    power = Power(bench)
    found: list[Reading] = []
    silences = 0  # in a row

    def note(name: str, ask: Callable[[], Value]) -> None:
        nonlocal silences
        started_s, reason, value = bench.clock.monotonic_s(), "", None
        try:
            if silences < _ENOUGH_SILENCES:
                value = ask()
                silences = 0
            else:
                reason = "not asked: the meter is silent"
        except MeterSilent as problem:
            reason, silences = str(problem), silences + 1
        except MeterError as problem:
            reason, silences = str(problem), 0
        found.append(
            Reading(
                name=name,
                value=value,
                unit=ROWS[name].unit,
                verdict=Verdict.PASS if value is not None else Verdict.FAIL,
                reason=reason,
                simulated=simulated,
                time=bench.clock.now(),
                seconds=bench.clock.monotonic_s() - started_s,
            )
        )

    power.on()
    try:
        _ask_all(bench, note)
    finally:
        power.off()
    return tuple(found)


def _ask_all(bench: Bench, note: Callable[[str, Callable[[], Value]], None]) -> None:
    meter = bench.meter

    def timed(line: str) -> float:
        started_s = bench.clock.monotonic_s()
        meter.ask(line, timeout_s=5.0)
        return bench.clock.monotonic_s() - started_s

    _fit(bench, "open")
    for name, line in _TIMES.items():
        note(name, lambda line=line: timed(line))  # type: ignore[misc]
    for name, line in _MISTAKES.items():
        note(name, lambda line=line: meter.ask(f"*CLS;{line};SYST:ERR?;SYST:ERR?"))  # type: ignore[misc]
    note("probe.registers", lambda: meter.ask("*CLS;FOO;*ESE 32;*ESE?;*STB?;*ESR?;*ESR?;*ESE 0;*CLS;*OPC?"))
    note("probe.long line", lambda: _long_line(bench))
    note("probe.display of inductance", lambda: _inductance(bench))
    note("probe.reading below zero", lambda: _below_zero(bench))
    note("probe.shown below zero", lambda: _shown(bench))
    note("probe.reset cause", lambda: meter.ask("SYST:CAUS?"))


def _fit(bench: Bench, part: str) -> None:
    if bench.selector is not None:
        bench.selector.fit(part)
    else:
        bench.operator.fit(part, part)


def _long_line(bench: Bench) -> str:
    bench.meter.ask("*CLS;*OPC?")
    if isinstance(bench.meter, SerialMeter):
        bench.meter.put(_LONG_LINE)
        bench.clock.sleep(0.1)
    return f"{bench.meter.ask('SYST:ERR?')} {bench.meter.ask('SYST:ERR?')}"


def _inductance(bench: Bench) -> str:
    bench.meter.ask("*RST;CAL:ALL?", timeout_s=5.0)
    _fit(bench, "l_100u")
    bench.meter.ask("SENS:FUNC IND;READ?")
    bench.clock.sleep(0.3)
    shown = _SHOWN.search(bench.operator.read_display())
    return f"{shown[0][:2]} {shown[2]}{shown[0][-1]}" if shown else "nothing"


def _below_zero(bench: Bench) -> float:
    bench.meter.tell("SENS:FUNC CAP")
    _fit(bench, "c_10p")
    bench.meter.ask("CAL:ZERO?")
    _fit(bench, "open")
    return float(bench.meter.ask("READ?"))


def _shown(bench: Bench) -> float | None:
    bench.clock.sleep(0.3)
    shown = _SHOWN.search(bench.operator.read_display())
    return float(shown[1]) * _PREFIXES[shown[2]] if shown else None
