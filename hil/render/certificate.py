"""A certificate as data: first the data, then the page. The same object feeds PDF, JSON and XML.

`build` turns a recorded run into a frozen `Certificate`, in which every number stands twice: as measured, and as
text rounded by `hil.core.rounding.RULE`. Its content is the list of ISO/IEC 17025:2017 clause 7.8; the wording of
every statement is in `hil.render.statements`. Diagnosis is no part of it: a certificate says what was found, not why.

`Certificate.data_sha256` is the SHA-256 of the canonical JSON of everything else in it and is printed, with number
and verdict, in the QR code: a copy can be held against the record.
"""

import hashlib
import json
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

from hil.core.issuer import Issuer
from hil.core.records import Run, UnitVerdict, Verdict
from hil.core.units import show
from hil.render import statements
from hil.render.results import Adjustment, Group, Point, Result, adjustments, groups, points, results_of
from hil.render.statements import Line, Section

FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Predecessor:
    """The certificate that this one replaces, and why (ISO/IEC 17025:2017 7.8.8)."""

    number: str
    data_sha256: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment:
    """One instrument or reference part with the certificate it rests on."""

    name: str
    what: str  # identity of an instrument, value and uncertainty of a part
    use: str
    certificate: str
    due: str  # ISO date


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """Everything that stands on a certificate."""

    format: int
    number: str
    title: str
    verdict: UnitVerdict
    headline: str  # the verdict in words
    simulated: bool
    issued: str  # ISO date
    maker: str
    address: str
    country: str
    suite_version: str
    performed: tuple[str, str]  # from, to: ISO 8601; the same twice when the run was never closed
    run: str
    serial: str
    attempt: int
    attempts_allowed: int
    scope: str
    predecessor: Predecessor | None
    item: tuple[Line, ...]
    conditions: tuple[Line, ...]
    instruments: tuple[Equipment, ...]
    parts: tuple[Equipment, ...]
    adjustments: tuple[Adjustment, ...]
    groups: tuple[Group, ...]
    points: tuple[Point, ...]
    planned: int
    counts: tuple[tuple[str, int], ...]
    failed: tuple[str, ...]
    missing: tuple[str, ...]
    undecided: tuple[str, ...]
    outside_scope: tuple[str, ...]
    statements: tuple[Section, ...]
    performed_by: str
    authorised_by: str
    coverage: str  # the coverage factor when all results have the same, else empty
    data_sha256: str = ""

    @property
    def results(self) -> tuple[Result, ...]:
        """All results in the order they were taken."""
        return tuple(result for group in self.groups for result in group.results)

    def as_json(self) -> dict[str, Any]:
        """Plain data, ready for `json.dumps`; every number in it is finite."""
        data = plain_data(self)
        assert isinstance(data, dict)
        return data

    @property
    def seal(self) -> str:
        """What the QR code says: number, verdict, whether simulated, and the hash of the data."""
        simulated = " SIMULATED" if self.simulated else ""
        return f"{self.number} {self.verdict}{simulated} sha256:{self.data_sha256}"


def build(
    run: Run,
    issuer: Issuer,
    *,
    issued: str,
    predecessor: Predecessor | None = None,
    amendment: int = 0,
    authorised_by: str = "",
) -> Certificate:
    """Make the certificate of a recorded run.

    Args:
        issued: ISO date of issue, handed in so that a copy is identical.
        predecessor: the certificate this one replaces; needs ``amendment``.
        amendment: 0 for the first certificate of a run, then 1, 2, ….
        authorised_by: who authorises it; default: the issuer's.

    Raises:
        ValueError: an amendment without a predecessor, a reason or a number, or the other way round.
    """
    if (predecessor is None) is not (amendment == 0):
        raise ValueError("an amendment names the certificate it replaces and has a number from 1; a first one has none")
    if predecessor is not None and not predecessor.reason.strip():
        raise ValueError("an amendment needs a reason")
    opened, closed = run.opened, run.closed
    results = results_of(run)
    facts = dict(closed.facts) if closed else {}
    authorised = authorised_by or issuer.authorised_by
    measured = [one for one in run.readings if one.verdict is not Verdict.NOT_MEASURED]
    used = {name for one in measured for name in (*one.instruments, *one.parts)}
    by_verdict = {verdict: tuple(r.name for r in results if r.verdict == verdict) for verdict in statements.VERDICTS}
    certificate = Certificate(
        format=FORMAT,
        number=number_of(opened.run, simulated=opened.simulated, amendment=amendment),
        title=statements.title(opened.simulated),
        verdict=run.verdict,
        headline=statements.headline(run.verdict),
        simulated=opened.simulated,
        issued=issued,
        maker=issuer.maker,
        address=issuer.address,
        country=issuer.country,
        suite_version=opened.suite_version,
        performed=(opened.opened, closed.closed if closed else opened.opened),
        run=opened.run,
        serial=opened.serial,
        attempt=opened.attempt,
        attempts_allowed=opened.attempts_allowed,
        scope=opened.scope,
        predecessor=predecessor,
        item=statements.item(opened, facts, issuer),
        conditions=statements.conditions(run, facts, issuer),
        instruments=tuple(
            Equipment(
                name=one.role,
                what=_model(one.identity) or one.address,
                use="read by hand" if one.hand_read else "",
                certificate=one.certificate,
                due=one.due,
            )
            for one in opened.instruments
            if one.role in used
        ),
        parts=tuple(
            Equipment(
                name=one.name,
                what=show(one.value, one.unit),
                use=one.use,
                certificate=one.certificate,
                due=one.due,
            )
            for one in sorted(opened.parts, key=lambda part: (part.unit, part.value))
            if one.name in used and one.value != 0  # open and short need no certificate
        ),
        adjustments=adjustments(results),
        groups=groups(results, issuer.titles),
        points=points(run),
        planned=len(opened.planned),
        counts=tuple((verdict, len(names)) for verdict, names in by_verdict.items()),
        failed=by_verdict["fail"],
        missing=by_verdict["not_measured"],
        undecided=by_verdict["undecided"],
        outside_scope=opened.outside_scope,
        statements=(),
        performed_by=opened.operator,
        authorised_by=authorised,
        coverage=statements.coverage(results),
    )
    certificate = replace(certificate, statements=statements.sections(certificate, run, facts, issuer))
    return replace(certificate, data_sha256=hash_of(certificate))


def _model(identity: str) -> str:
    """Model and serial number out of an answer to ``*IDN?`` (IEEE 488.2: maker, model, serial number, firmware)."""
    fields = [field.strip() for field in identity.split(",")]
    return identity if len(fields) != 4 else f"{fields[1]}, serial number {fields[2]}"


def number_of(run: str, *, simulated: bool, amendment: int = 0) -> str:
    """The number of a certificate: that of its run; SIM- before and -A1, -A2 … after where they apply."""
    return f"{'SIM-' if simulated else ''}{run}{f'-A{amendment}' if amendment else ''}"


def plain_data(value: Any) -> Any:
    """Frozen values as dictionaries and lists; ten times as fast as `dataclasses.asdict`, which copies every leaf."""
    kind = type(value)
    if kind is tuple:
        return [one if type(one) in _LEAVES else plain_data(one) for one in value]
    found = {}
    for name in _names(kind):
        one = getattr(value, name)
        found[name] = one if type(one) in _LEAVES else plain_data(one)
    return found or value


_LEAVES = frozenset({str, float, int, bool, type(None)})
_NAMES: dict[type, tuple[str, ...]] = {}


def _names(kind: type) -> tuple[str, ...]:
    if kind not in _NAMES:
        _NAMES[kind] = tuple(field.name for field in fields(kind)) if is_dataclass(kind) else ()
    return _NAMES[kind]


def hash_of(certificate: Certificate) -> str:
    """SHA-256 over the canonical JSON of all data but the hash itself."""
    data = certificate.as_json()
    del data["data_sha256"]
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()
