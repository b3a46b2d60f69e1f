"""What the record keeps beside runs: certificates issued, readiness of benches, rework, lots, …

Each entry is written once and never changed; a later entry about the same subject supersedes an earlier one. An
entry's ``uid`` is unique over all benches, so that records merge without double counting. Times are ISO 8601 with
zone.
"""

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What every entry has; `subject` is what entries of a kind are looked up by."""

    KIND: ClassVar[str] = ""
    SUBJECT: ClassVar[str] = ""  # name of the field

    uid: str
    time: str
    author: str = ""

    @property
    def subject(self) -> str:
        """The value of the field that entries of this kind are looked up by."""
        return str(getattr(self, self.SUBJECT))


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateIssued(Entry):
    """A certificate that left the house; ``uid`` is its number. An amendment names its predecessor and reason."""

    KIND: ClassVar[str] = "certificate"
    SUBJECT: ClassVar[str] = "serial"

    serial: str
    run: str
    sha256: str
    predecessor: str = ""
    reason: str = ""
    words: str = ""  # uid of the document with the maker's words on it


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadinessValue:
    """One measurement of a readiness check, in unprefixed units."""

    name: str
    value: float | None
    unit: str
    verdict: str
    reason: str = ""
    lower: float | None = None
    upper: float | None = None
    expanded_uncertainty: float | None = None
    least: float | None = None  # change that matters, of a check standard that is charted


@dataclass(frozen=True, slots=True, kw_only=True)
class Readiness(Entry):
    """A readiness check of a bench."""

    KIND: ClassVar[str] = "readiness"
    SUBJECT: ClassVar[str] = "bench"

    bench: str
    ready: bool
    simulated: bool
    reason: str = ""  # why it is not ready
    values: tuple[ReadinessValue, ...] = ()
    identities: tuple[tuple[str, str], ...] = ()  # (role, answer to *IDN?)


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchAcknowledged(Entry):
    """Why a bench was out of control, or what was changed on it, and what its charts do from then on.

    Args:
        new_baseline: the next readings make new limits; otherwise the old limits stay and the sums begin anew.
        names: values it is about; all of them when empty.
        answers: the rules that had fired.
    """

    KIND: ClassVar[str] = "bench_acknowledged"
    SUBJECT: ClassVar[str] = "bench"

    bench: str
    reason: str
    new_baseline: bool = False
    names: tuple[str, ...] = ()
    answers: tuple[str, ...] = ()

    def is_about(self, name: str) -> bool:
        """Whether it is about a value."""
        return not self.names or name in self.names


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline(Entry):
    """A run that later firmware is compared with."""

    KIND: ClassVar[str] = "baseline"
    SUBJECT: ClassVar[str] = "name"

    name: str
    board: str
    runs: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rework(Entry):
    """What was done to a unit between two attempts."""

    KIND: ClassVar[str] = "rework"
    SUBJECT: ClassVar[str] = "serial"

    serial: str
    action: str  # replaced, resoldered, cleaned …
    target: str = ""  # designator
    after_run: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosed(Entry):
    """What was believed to be the cause of a failing run; a later entry about the run knows more (probes).

    Args:
        causes: (fault, probability, prior), the likeliest first; faults that look the same stand with " | " between.
        none: probability that the cause is none of the faults known.
        probes: what was probed besides the run's readings, (name, value).
        dictionary: SHA-256 of the fault dictionary it rests on.
    """

    KIND: ClassVar[str] = "diagnosis"
    SUBJECT: ClassVar[str] = "run"

    run: str
    serial: str
    causes: tuple[tuple[str, float, float], ...] = ()
    none: float = 0.0
    probes: tuple[tuple[str, float], ...] = ()
    dictionary: str = ""

    @property
    def first(self) -> str:
        """The likeliest cause in words, as a lot report counts it."""
        if self.none >= 0.5 or not self.causes:
            return "none of the known faults"
        fault, *alike = self.causes[0][0].split(" | ")
        return f"{fault} or {len(alike)} alike" if alike else fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot(Entry):
    """A lot of units and the component lots that went into it, as (designator or value, lot)."""

    KIND: ClassVar[str] = "lot"
    SUBJECT: ClassVar[str] = "lot"

    lot: str
    board: str = ""
    size: int | None = None
    components: tuple[tuple[str, str], ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal(Entry):
    """A run that was moved to an archive; the record keeps this much of it."""

    KIND: ClassVar[str] = "removal"
    SUBJECT: ClassVar[str] = "serial"

    serial: str
    run: str
    opened: str
    scope: str
    verdict: str
    used_attempt: bool  # it still counts among the attempts of the unit
    reason: str
    archive: str
    archive_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Document(Entry):
    """Anything else that must survive: a study plan, a comparison. ``content`` is text, usually JSON."""

    KIND: ClassVar[str] = "document"
    SUBJECT: ClassVar[str] = "name"

    name: str
    content: str


ENTRIES: dict[str, type[Entry]] = {
    kind.KIND: kind
    for kind in (CertificateIssued, Readiness, BenchAcknowledged, Baseline, Rework, Diagnosed, Lot, Removal, Document)
}
