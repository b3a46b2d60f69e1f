"""The wording of a certificate: what ISO/IEC 17025:2017 clause 7.8 asks for, in sentences.

No sentence claims an accreditation, recommends an interval, or says why a unit failed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hil.core.issuer import Issuer
from hil.core.records import Run, RunOpened, UnitVerdict, Verdict
from hil.render.numbers import RULE
from hil.render.results import Result

if TYPE_CHECKING:
    from hil.render.certificate import Certificate

VERDICTS = tuple(verdict.value for verdict in Verdict)
SIMULATED = "SIMULATED"
_HEADLINES = {
    UnitVerdict.PASS: "Conforms: every planned result is within its limits",
    UnitVerdict.FAIL: "Does not conform: at least one result is outside its limits",
    UnitVerdict.INCOMPLETE: "No statement of conformity: the check is incomplete",
}
_RULES = {
    "simple": "Simple acceptance (ILAC-G8:09/2019, 4.2.1; w = 0): a result is accepted when its value lies within the "
    "limits; for a value at a limit the risk of a wrong decision is up to 50 %.",
    "guard_band": "Guarded acceptance (JCGM 106:2012, 8.3.2; ILAC-G8:09/2019, 4.2.2): the acceptance limits lie inside "
    "the limits by w = {r}; with w = U the risk of a false acceptance is at most 2.5 % for a normal distribution.",
    "specific_risk": "Guarded acceptance from a wanted specific risk of false acceptance (JCGM 106:2012, clause 8).",
    "global_risk": "Guarded acceptance from a wanted global risk of false acceptance over the production process "
    "(JCGM 106:2012, clause 9).",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A labelled fact."""

    label: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A statement with its heading."""

    key: str
    heading: str
    text: str


def title(simulated: bool) -> str:
    """The title; a simulated one says so in its first word."""
    return f"{SIMULATED} – Test and calibration certificate" if simulated else "Test and calibration certificate"


def headline(verdict: UnitVerdict) -> str:
    """The verdict in words."""
    return _HEADLINES[verdict]


def item(opened: RunOpened, facts: Mapping[str, str], issuer: Issuer) -> tuple[Line, ...]:
    """What was checked and in which state."""
    return _lines(
        ("Item", f"{issuer.meter}, {issuer.description}"),
        ("Serial number", opened.serial),
        ("Lot", opened.lot),
        ("Condition", facts.get("condition", issuer.condition)),
        ("Received", facts.get("received", "from the maker's own assembly")),
        ("Firmware", facts.get("firmware_version", "not read")),
        ("Image SHA-256", facts.get("image_sha256", "not programmed in this run")),
        ("Attempt", f"{opened.attempt} of {opened.attempts_allowed}"),
        ("Reason for retest", opened.retest_reason),
        ("Customer", issuer.customer),
    )


def conditions(run: Run, facts: Mapping[str, str], issuer: Issuer) -> tuple[Line, ...]:
    """Where, when, how and in which surroundings."""
    opened, closed = run.opened, run.closed
    temperature, humidity = facts.get("temperature_degc"), facts.get("humidity_percent")
    surroundings = [f"{float(temperature):.1f} °C at the jig"] if temperature else ["temperature not measured"]
    surroundings.append(f"{float(humidity):.0f} % relative humidity" if humidity else "humidity not measured")
    ended = f" to {_moment(closed.closed)}" if closed else ", interrupted"
    return _lines(
        ("Performed", f"{_moment(opened.opened)}{ended}"),
        ("Place", f"{_place(opened) or issuer.place}; bench {opened.bench}"),
        ("Environment", ", ".join(surroundings)),
        ("Method", issuer.method),
        ("Specification", f"{issuer.specification}; {opened.limits_file} revision {opened.limits_revision}"),
        ("Limits SHA-256", opened.limits_sha256),
        ("Scope", opened.scope + (f", only rows {opened.only}" if opened.only else "")),
        ("Program", f"hil {opened.suite_version}, run {opened.run}"),
        ("Bench ready", _moment(opened.readiness) if opened.readiness else ""),
    )


def _lines(*pairs: tuple[str, str]) -> tuple[Line, ...]:
    return tuple(Line(label=label, text=text) for label, text in pairs if text)


def _place(opened: RunOpened) -> str:
    """Where the bench stands, as its file said; "" when it did not."""
    return next((value for name, value, _ in opened.settings if name == "place"), "")


def _moment(iso: str) -> str:
    return iso[:16].replace("T", " ") + (" UTC" if iso.endswith(("Z", "+00:00")) else iso[-6:])


def coverage(results: Sequence[Result]) -> str:
    """The coverage factor as shown, when all results have the same; else empty, and every result shows its own."""
    factors = {result.shown_k for result in results if result.shown_k}
    return factors.pop() if len(factors) == 1 else ""


def sections(certificate: Certificate, run: Run, facts: Mapping[str, str], issuer: Issuer) -> tuple[Section, ...]:
    """All statements in the order of the page."""
    pairs = (
        ("conformity", "Statement of conformity", _conformity(certificate, run, issuer)),
        ("rule", "Decision rule", _rule(certificate)),
        ("missing", "Not measured", _missing(certificate)),
        ("outside", "Outside the scope", _outside(certificate)),
        ("adjustment", "Adjustment", _adjustment(certificate)),
        ("uncertainty", "Uncertainty and rounding", _uncertainty(certificate)),
        ("traceability", "Traceability", _traceability(certificate)),
        ("deviations", "Deviations and remarks", _deviations(certificate, run)),
        ("amendment", "Amendment", _amendment(certificate)),
        ("validity", "Validity", _validity(certificate)),
    )
    return tuple(Section(key=key, heading=heading, text=text) for key, heading, text in pairs if text)


def _conformity(certificate: Certificate, run: Run, issuer: Issuer) -> str:
    opened = run.opened
    against = f"{issuer.specification} ({opened.limits_file} revision {opened.limits_revision}, scope {opened.scope})"
    count = dict(certificate.counts)
    if certificate.verdict is UnitVerdict.PASS:
        return (
            f"All {certificate.planned} planned results meet {against}, by the decision rule below. The statement "
            "applies to the results as left listed here and to nothing else."
        )
    if certificate.verdict is UnitVerdict.FAIL:
        text = f"{count['fail']} of {certificate.planned} planned results do not meet {against}: "
        text += _listed(certificate.failed) + f". {count['pass']} results meet it, by the decision rule below."
        if certificate.missing:
            text += f" {len(certificate.missing)} were not measured."
        return text
    return (
        f"No statement of conformity is made. {count['pass']} of {certificate.planned} planned results meet {against}; "
        f"{count['not_measured']} were not measured and {count['undecided']} are undecided. "
        f"Reason: {_first_sentence(run.closed.reason if run.closed else 'the run was interrupted and never closed')}."
    )


def _first_sentence(reason: str) -> str:
    """What is wrong; what the bench has to do about it stands in the record."""
    return reason.partition(". ")[0].rstrip(".")


def _rule(certificate: Certificate) -> str:
    kinds = dict.fromkeys(result.rule for result in certificate.results if result.rule)
    words = [_RULES[kind].format(r=_guard(certificate, kind)) for kind in kinds if kind in _RULES]
    if any(result.verdict is Verdict.UNDECIDED or "conditional" in result.statement for result in certificate.results):
        words.append(
            "Between the acceptance limit and the limit plus w a result is undecided (ILAC-G8:09/2019, 4.2.3)."
        )
    words.append("The limits file, part of the specification, names the rule of every limit.")
    return " ".join(words)


def _guard(certificate: Certificate, kind: str) -> str:
    """How wide the guard bands of a rule are, as multiples of U."""
    ratios = set()
    for result in certificate.results:
        if result.rule != kind or not result.expanded_uncertainty:
            continue
        for limit, accepted in ((result.lower, result.accept_lower), (result.upper, result.accept_upper)):
            if limit is not None and accepted is not None:
                ratios.add(round(abs(limit - accepted) / result.expanded_uncertainty, 2))
    if not ratios:
        return "r·U"
    low, high = min(ratios), max(ratios)
    return f"{low:.2f} U" if low == high else f"{low:.2f} U to {high:.2f} U"


def _missing(certificate: Certificate) -> str:
    if not certificate.missing:
        return ""
    return f"{len(certificate.missing)} of {certificate.planned} planned results: {_listed(certificate.missing, 40)}."


def _outside(certificate: Certificate) -> str:
    if not certificate.outside_scope:
        return "Scope " + certificate.scope + " leaves no limit of the limits file out."
    names = _listed(certificate.outside_scope, 24)
    return f"Scope {certificate.scope} leaves out {len(certificate.outside_scope)} limits, not measured: {names}."


def _adjustment(certificate: Certificate) -> str:
    found = [one for one in certificate.adjustments if one.is_found]
    if not found:
        return "Nothing was adjusted."
    done, open_ = ("; ".join(one.title for one in found if one.is_left is left) for left in (True, False))
    words = [f"Adjusted in this run, with results as found and as left: {done}."] if done else []
    words += [f"Perhaps adjusted, without a result as left: {open_}."] if open_ else []
    return " ".join((*words, _kept_apart(certificate), "All other results are as left."))


def _kept_apart(certificate: Certificate) -> str:
    """Whether a reference part that adjusted the unit also verified it."""
    adjusting = {part.name for part in certificate.parts if part.use == "adjust"}
    both = sorted({part for point in certificate.points for part in point.parts} & adjusting)
    if both:
        return f"CAUTION: used for adjusting and for verifying: {', '.join(both)}."
    return "No reference part used for adjusting was used for verifying."


def _uncertainty(certificate: Certificate) -> str:
    text = (
        "U is the expanded uncertainty of the result (of the error of indication where a reference is given) in the "
        "unit of the row"
    )
    text += f", with k = {certificate.coverage}" if certificate.coverage else ", with the coverage factor k of its row"
    return f"{text}, for a coverage of about 95 %, after JCGM 100:2008. – stands where no U is given. {RULE}"


def _traceability(certificate: Certificate) -> str:
    if certificate.simulated:
        return (
            f"{SIMULATED}: instruments, unit and values come from a simulation. Nothing was measured, and nothing here "
            "is traceable to anything."
        )
    equipment = (*certificate.instruments, *certificate.parts)
    day = certificate.performed[1][:10]
    late = [one.name for one in equipment if one.due and one.due < day]
    bare = [one.name for one in equipment if not one.certificate]
    words = ["Reference parts and instruments are traceable to the SI through the calibration certificates listed."]
    words.append(f"CAUTION: overdue on {day}: {', '.join(late)}." if late else f"All of them were in date on {day}.")
    if bare:
        words.append(f"Without a certificate of their own: {', '.join(bare)}.")
    return " ".join(words)


def _deviations(certificate: Certificate, run: Run) -> str:
    words = []
    if certificate.simulated:
        words.append(f"{SIMULATED} run; not evidence about any real unit.")
    if run.opened.faults:
        words.append(f"Faults put into the simulation: {', '.join(run.opened.faults)}.")
    hand = [result.name for result in certificate.results if result.hand_read]
    if hand:
        words.append(f"Read by hand: {_listed(hand)}.")
    words += [  # what a person decided on the way; everything else that was noted is in the record
        f"{reading.name}: {note}." for reading in run.readings for note in reading.notes if note.startswith("operator")
    ]
    return " ".join(words) or "None."


def _amendment(certificate: Certificate) -> str:
    before = certificate.predecessor
    if before is None:
        return ""
    return (
        f"This certificate replaces {before.number} (data SHA-256 {before.data_sha256}), which is withdrawn. "
        f"Reason: {before.reason.rstrip('.')}."
    )


def _validity(certificate: Certificate) -> str:
    return (
        f"The results relate only to the item with serial number {certificate.serial}, in the condition named; nothing "
        "was sampled. Issued by the maker on its own responsibility: no accreditation is claimed. No result comes from "
        "an external provider, no data from the customer. No opinion is given and no interval for recalibration "
        "recommended. To be copied only as a whole."
    )


def _listed(names: Sequence[str], most: int = 12) -> str:
    more = f" and {len(names) - most} more (listed in the results)" if len(names) > most else ""
    return ", ".join(names[:most]) + more
