"""Certificates of recorded runs: the first one, identical copies, amendments.

The ledger of the record keeps for every certificate its number, the hash of its data, when and by whom it was issued,
and in which words of the maker; everything else is in the run. A copy is made from the same data again and held
against that hash: it is identical, or refused. What has to change becomes an amendment with a number of its own, a
reason and its predecessor (ISO/IEC 17025:2017 7.8.8).
"""

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from hil.app.locate import label_of, read_text
from hil.app.whole_file import write_whole
from hil.core.ledger import CertificateIssued, Document
from hil.core.records import Run
from hil.errors import UsageError
from hil.files.issuer import parse_issuer
from hil.render.certificate import Certificate, Predecessor, build
from hil.render.dcc import dcc_xml
from hil.render.typeset import Paper, typeset
from hil.store.sqlite_store import RecordStore
from hil.suite import ROOT

REPORTS = ROOT / "reports"
ISSUER = REPORTS / "certificate.toml"
WORDS = "issuer"  # name of the ledger's documents with the maker's words


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """A certificate and the files it was written to."""

    certificate: Certificate
    paths: tuple[Path, ...]
    is_copy: bool  # issued before, made again


@cache
def shipped_paper() -> Paper:
    """The templates and fonts that travel with the program."""
    templates = {path.name: read_text(path) for path in sorted(REPORTS.glob("*.typ"))}
    return Paper(templates=templates, font_folder=str(REPORTS / "fonts"))


def certify(
    run: Run,
    store: RecordStore,
    folder: Path,
    *,
    now: str,
    issuer: Path = ISSUER,
    authorised_by: str = "",
    amend: str = "",
    sign: Callable[[bytes], bytes] | None = None,
) -> Issue:
    """Write the certificate of a recorded run as PDF, JSON and XML into a folder.

    Args:
        now: ISO 8601; when it is issued, if it was not issued before.
        issuer: file with the maker's words for a first certificate or an amendment.
        authorised_by: who authorises it; default: whom the issuer file names.
        amend: why an issued certificate is changed; empty: the first one, or a copy of the latest.
        sign: signs the PDF; the signed one is written beside the unsigned one.

    Raises:
        UsageError: there is nothing to amend, or a copy would not be identical.
        BenchError: the files cannot be written.
    """
    issued = [
        entry for entry in store.entries(CertificateIssued, subject=run.opened.serial) if entry.run == run.opened.run
    ]
    if issued and not amend:
        certificate = _again(run, store, issued)
    else:
        certificate = _first_or_amended(run, store, issued, now, issuer, authorised_by, amend)
    pdf = typeset(certificate, shipped_paper())
    contents = {".pdf": pdf, ".json": _json(certificate), ".xml": dcc_xml(certificate)}
    if sign is not None:
        contents["-signed.pdf"] = sign(pdf)
    paths = tuple(write_whole(folder / f"{certificate.number}{end}", content) for end, content in contents.items())
    store.add_files(run.opened.run, [(path.name, hashlib.sha256(path.read_bytes()).hexdigest()) for path in paths])
    return Issue(certificate=certificate, paths=paths, is_copy=bool(issued) and not amend)


def _first_or_amended(
    run: Run,
    store: RecordStore,
    issued: list[CertificateIssued],
    now: str,
    issuer: Path,
    authorised_by: str,
    amend: str,
) -> Certificate:
    if amend and not issued:
        raise UsageError(f"{run.opened.run}: has no certificate yet that could be amended. Leave --amend out.")
    text = read_text(issuer)
    words = parse_issuer(label_of(issuer), text)
    certificate = build(
        run,
        words,
        issued=now[:10],
        predecessor=Predecessor(number=issued[-1].uid, data_sha256=issued[-1].sha256, reason=amend) if amend else None,
        amendment=len(issued),
        authorised_by=authorised_by,
    )
    uid = hashlib.sha256(text.encode()).hexdigest()
    if not any(document.uid == uid for document in store.entries(Document, subject=WORDS)):
        store.add(Document(uid=uid, time=now, name=WORDS, content=text))
    store.add(
        CertificateIssued(
            uid=certificate.number,
            time=now,
            author=certificate.authorised_by,
            serial=run.opened.serial,
            run=run.opened.run,
            sha256=certificate.data_sha256,
            predecessor=issued[-1].uid if amend else "",
            reason=amend,
            words=uid,
        )
    )
    return certificate


def _again(run: Run, store: RecordStore, issued: list[CertificateIssued]) -> Certificate:
    latest = issued[-1]
    found = [document for document in store.entries(Document, subject=WORDS) if document.uid == latest.words]
    if not found:
        raise UsageError(f"certificate {latest.uid}: the maker's words it was issued with are not in the record.")
    before = {entry.uid: entry for entry in issued}.get(latest.predecessor)
    certificate = build(
        run,
        parse_issuer(f"words of {latest.uid}", found[0].content),
        issued=latest.time[:10],
        predecessor=Predecessor(number=before.uid, data_sha256=before.sha256, reason=latest.reason) if before else None,
        amendment=len(issued) - 1,
        authorised_by=latest.author,
    )
    if certificate.data_sha256 != latest.sha256:
        raise UsageError(
            f"certificate {latest.uid}: a copy by this version of the program would not be identical (data SHA-256 "
            f"{certificate.data_sha256[:16]}…, issued {latest.sha256[:16]}…). Copy it with hil "
            f"{run.opened.suite_version}, or issue an amendment with --amend 'REASON'."
        )
    return certificate


def _json(certificate: Certificate) -> bytes:
    return (json.dumps(certificate.as_json(), ensure_ascii=False, allow_nan=False) + "\n").encode()


def check_file(path: Path, run: Run, store: RecordStore, roots: Sequence[Path]) -> tuple[bool, str]:
    """Hold a certificate file against the record of its run.

    Args:
        roots: certificates whose signatures are trusted; empty: a signature is not looked at.

    Returns:
        Whether it is genuine, and why in words.

    Raises:
        UsageError: the file cannot be read.
    """
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise UsageError(f"{path}: cannot be read: {problem.strerror}.") from None
    sha256 = hashlib.sha256(content).hexdigest()
    names = [name for name, known in store.files(run.opened.run) if known == sha256]
    if roots:
        from hil.app.sign import check_signature

        found = check_signature(content, roots)
        if not found.is_good:
            return False, f"the signature of {found.signer} {found.why_not}"
        return True, f"signed by {found.signer}, covering the whole file"
    if names:
        return True, f"the record of run {run.opened.run} knows it as {names[0]}, byte for byte"
    return False, f"not a file that the record of run {run.opened.run} knows. SHA-256 {sha256}"
