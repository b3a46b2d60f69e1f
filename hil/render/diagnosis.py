"""A diagnosis as a technician reads it: on the screen, and as a section of the report of a failing unit."""

from collections.abc import Callable, Iterator
from html import escape
from typing import TYPE_CHECKING, TextIO

from hil.core.causes import Cause, Evidence
from hil.core.diagnosis import Seen
from hil.core.next_probe import NextProbe
from hil.core.units import show

if TYPE_CHECKING:
    from hil.app.diagnose import Explained

UnitOf = Callable[[str], str]
MOST_EXPECTED = 20
OVER_RANGE_FROM_OHM = 1e7  # beyond what an ohmmeter shows
WIDE = {"V": 0.5, "A": 5e-3}  # an interval as wide that crosses zero says "below": no board makes negative rails


def diagnosis_lines(explained: "Explained") -> Iterator[str]:
    """The diagnosis as lines of text."""
    found, unit_of = explained.diagnosis, explained.unit_of
    yield f"Diagnosis of {explained.run.opened.serial}, run {explained.run.opened.run}"
    if explained.probes:
        yield f"  with {', '.join(f'{name} {seen_words(value, unit_of(name))}' for name, value in explained.probes)}"
    if not found.fits:
        yield f"  None of the known faults fits ({percent(found.none)}): a fault or a combination not thought of."
    for number, cause in enumerate(found.causes, start=1):
        yield f"  {number}. {percent(cause.probability):>7}  {cause_words(cause)}"
        yield f"              {prior_words(cause, explained.confirmed)}"
        for evidence in cause.speaks_for:
            yield f"              for      {evidence_words(evidence, unit_of)}"
        for evidence in cause.speaks_against:
            yield f"              against  {evidence_words(evidence, unit_of)}"
    if found.fits and found.none >= 0.001:
        yield f"     {percent(found.none):>7}  none of the known faults"
    if found.next_probe is not None:
        yield from _probe_lines(found.next_probe, unit_of)
    elif found.fits:
        yield "  No probe would tell more: repair the first, then retest."


def _probe_lines(probe: NextProbe, unit_of: UnitOf) -> Iterator[str]:
    yield f"  Next, measure the {probe_words(probe)}"
    unit = unit_of(probe.name)
    alike: dict[str, list[str]] = {}
    for one in probe.expected[:MOST_EXPECTED]:
        alike.setdefault(interval(one.value, one.lower, one.upper, unit, digits=2), []).append(one.fault)
    for reading, faults in alike.items():
        yield f"      {reading:<30} if {', '.join(faults)}"
    point = probe.name.partition(" ")[2]
    yield f"  and tell: hil diagnose RUN --probe '{point}=VALUE {unit}'"


def probe_words(probe: NextProbe) -> str:
    """What to measure, how, and what it is worth."""
    kind, _, point = probe.name.partition(" ")
    how = {
        "voltage": f"voltage at {point} against GND, unit on at 7.4 V, terminals open",
        "frequency": f"frequency at {point}, unit on at 7.4 V, terminals open",
        "resistance": f"resistance at the legs of {point}, power off, ohmmeter with 0.1 mA and + at pin 1",
    }[kind]
    return f"{how} (worth {probe.information_bit:.1f} of {probe.entropy_bit:.1f} bit)."


def cause_words(cause: Cause) -> str:
    """The faults of a cause, a few of them if there are many."""
    shown = ", ".join(cause.faults[:4])
    more = f" and {len(cause.faults) - 4} more" if len(cause.faults) > 4 else ""
    return f"{shown}{more}" + (" (not told apart yet)" if len(cause.faults) > 1 else "")


def prior_words(cause: Cause, confirmed: int) -> str:
    """How often it happens: by the weights file, and after confirmed reworks where there are any."""
    by_file = f"prior {percent(cause.shipped_prior)} by the weights file"
    if not confirmed:
        return by_file
    return f"{by_file}, {percent(cause.prior)} after {confirmed} confirmed rework{'s' if confirmed > 1 else ''}"


def percent(share: float) -> str:
    """A probability; never rounded up to certainty."""
    if share > 0.999:
        return "> 99.9 %"
    return f"{100 * share:.1f} %" if share >= 0.001 else "< 0.1 %"


def evidence_words(evidence: Evidence, unit_of: UnitOf) -> str:
    """One reading: what it was, what the cause makes of it, what is usual."""
    unit = unit_of(evidence.row)
    words = f"{evidence.row} {seen_words(evidence.seen, unit)}"
    if evidence.expected is not None:
        words += f"; with this fault {interval(*evidence.expected, unit)}"
    elif evidence.good is not None:
        words += "; with this fault usually no value"
    if evidence.good is not None:
        words += f"; good units {interval(*evidence.good, unit)}"
    return words


def seen_words(value: Seen, unit: str) -> str:
    """What was read."""
    if value is None:
        return "gave no value"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if unit == "ohm" and isinstance(value, float | int) and value > OVER_RANGE_FROM_OHM:
        return "over range"
    return show(float(value), unit, digits=4) if isinstance(value, float | int) else repr(value)


def interval(middle: float, lower: float, upper: float, unit: str, *, digits: int = 3) -> str:
    """A value with the interval that holds 95 %; resistances beyond any meter are over range.

    Where few units tell how far a value scatters its interval is wide, and may reach where no board can be.
    """
    if unit == "ohm" and middle > OVER_RANGE_FROM_OHM:
        return "over range"
    low, high = show(lower, unit, digits=digits), show(upper, unit, digits=digits)
    if unit == "ohm" and upper > OVER_RANGE_FROM_OHM:
        high = "over range"
    if lower < 0 < upper and upper - lower > WIDE.get(unit, upper - lower):
        return f"below {high}"
    return low if low == high else f"{low} … {high}"


def diagnosis_html(explained: "Explained") -> str:
    """A section of the report: plain HTML, escaped."""
    found, unit_of = explained.diagnosis, explained.unit_of
    rows = []
    for cause in found.causes:
        speaks = [f"for: {escape(evidence_words(one, unit_of))}" for one in cause.speaks_for]
        speaks += [f"against: {escape(evidence_words(one, unit_of))}" for one in cause.speaks_against]
        rows.append(
            f'<tr><td class="hil-share">{escape(percent(cause.probability))}</td>'
            f"<td><b>{escape(cause_words(cause))}</b><br/>"
            f'<span class="hil-note">{escape(prior_words(cause, explained.confirmed))}</span></td>'
            f'<td class="hil-note">{"<br/>".join(speaks)}</td></tr>'
        )
    rows.append(
        f'<tr><td class="hil-share">{escape(percent(found.none))}</td><td>none of the known faults</td><td></td></tr>'
    )
    parts = [
        '<section class="hil-diagnosis"><h2>Diagnosis</h2>',
        "" if found.fits else "<p><b>None of the known faults fits.</b></p>",
        f"<table><tr><th>Probability</th><th>Cause</th><th>Readings</th></tr>{''.join(rows)}</table>",
    ]
    if found.next_probe is not None:
        lines = [line.strip() for line in _probe_lines(found.next_probe, unit_of)]
        parts.append(f"<p>{'<br/>'.join(escape(line) for line in lines)}</p>")
    return "".join((*parts, "</section>"))


def print_cause(explained: "Explained | None", stream: TextIO) -> None:
    """The likeliest cause in one line below the summary of a check; nothing when there is no diagnosis."""
    if explained is None:
        return
    found, serial = explained.diagnosis, explained.run.opened.serial
    cause = found.causes[0]
    said = f"{percent(cause.probability)} {cause_words(cause)}" if found.fits else "none of the known faults fits"
    print(f"  Likely cause: {said}. 'hil diagnose {serial}' says why, and where to probe.", file=stream)


def print_diagnosis(explained: "Explained", stream: TextIO) -> None:
    """The diagnosis on the screen."""
    for line in diagnosis_lines(explained):
        print(line, file=stream)
