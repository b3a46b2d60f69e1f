"""Certificates of recorded runs: the first one, identical copies, amendments."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from hil.app import certify as room
from hil.app.certify import ISSUER, Issue, certify, check_file
from hil.app.whole_file import write_whole
from hil.core.ledger import CertificateIssued, Document
from hil.errors import BenchError, UsageError
from hil.store.sqlite_store import SqliteStore

NOW, LATER = "2026-11-25T10:02:00.000+01:00", "2026-12-24T10:02:00.000+01:00"
NUMBER = "SIM-R1"


@pytest.fixture
def issue(store: SqliteStore, record: Callable[..., None], tmp_path: Path) -> Callable[..., Issue]:
    """Certifies the recorded run R1; words are options of `certify`."""
    record("R1")

    def issue(to: str = "first", now: str = NOW, **more: object) -> Issue:
        return certify(store.run("R1"), store, tmp_path / to, now=now, **more)  # type: ignore[arg-type]

    return issue


def bytes_of(issue: Issue) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in issue.paths}


def test_a_first_certificate_is_written_and_recorded(issue: Callable[..., Issue], store: SqliteStore) -> None:
    made = issue()
    assert not made.is_copy
    assert [path.name for path in made.paths] == [f"{NUMBER}.pdf", f"{NUMBER}.json", f"{NUMBER}.xml"]
    (entry,) = store.entries(CertificateIssued, subject="QM2-00001")
    assert (entry.uid, entry.run, entry.sha256) == (NUMBER, "R1", made.certificate.data_sha256)
    assert (entry.time, entry.author) == (NOW, "E. Thornbury, production")
    (words,) = store.entries(Document, subject="issuer")
    assert (words.uid, words.content) == (entry.words, ISSUER.read_text(encoding="utf-8"))
    assert store.files("R1") == tuple(
        sorted((name, hashlib.sha256(content).hexdigest()) for name, content in bytes_of(made).items())
    )
    data = json.loads(bytes_of(made)[f"{NUMBER}.json"])
    assert (data["number"], data["data_sha256"]) == (NUMBER, entry.sha256)


def test_a_copy_is_identical_whenever_it_is_made(issue: Callable[..., Issue], store: SqliteStore) -> None:
    first, copy = issue(), issue("copy", LATER)
    assert copy.is_copy
    assert bytes_of(copy) == bytes_of(first)
    assert len(store.entries(CertificateIssued, subject="QM2-00001")) == 1


def test_a_copy_keeps_the_words_it_was_issued_with(issue: Callable[..., Issue], tmp_path: Path) -> None:
    moved = tmp_path / "moved.toml"
    moved.write_text(ISSUER.read_text(encoding="utf-8").replace("4 Millrace Lane", "9 Weir Street"), encoding="utf-8")
    first, copy = issue(), issue("copy", LATER, issuer=moved)
    assert bytes_of(copy) == bytes_of(first)
    assert "9 Weir Street" in issue("amended", LATER, issuer=moved, amend="new address").certificate.address


def test_an_amendment_has_a_number_a_reason_and_a_predecessor(issue: Callable[..., Issue], store: SqliteStore) -> None:
    first, second, third = issue(), issue("a1", LATER, amend="wrong place"), issue("a2", LATER, amend="once more")
    assert [one.certificate.number for one in (first, second, third)] == [NUMBER, f"{NUMBER}-A1", f"{NUMBER}-A2"]
    predecessor = third.certificate.predecessor
    assert predecessor is not None
    assert (predecessor.number, predecessor.data_sha256) == (f"{NUMBER}-A1", second.certificate.data_sha256)
    entry = next(one for one in store.entries(CertificateIssued, subject="QM2-00001") if one.uid == f"{NUMBER}-A2")
    assert (entry.predecessor, entry.reason) == (f"{NUMBER}-A1", "once more")
    assert bytes_of(issue("copy", "2027-01-01T00:00:00+00:00")) == bytes_of(third)  # the latest is copied


def test_who_authorised_it_is_kept_for_copies(issue: Callable[..., Issue]) -> None:
    first = issue(authorised_by="M. Hale")
    assert first.certificate.authorised_by == "M. Hale"
    assert issue("copy").certificate.authorised_by == "M. Hale"


def test_nothing_can_be_amended_before_the_first(issue: Callable[..., Issue]) -> None:
    with pytest.raises(UsageError, match=r"^R1: has no certificate yet that could be amended\. Leave --amend out\.$"):
        issue(amend="why not")


def test_a_copy_that_would_differ_is_refused(issue: Callable[..., Issue], monkeypatch: pytest.MonkeyPatch) -> None:
    issue()
    real = room.build
    monkeypatch.setattr(room, "build", lambda *a, **k: replace(real(*a, **k), data_sha256="0" * 64))
    with pytest.raises(UsageError, match=r"a copy by this version of the program would not be identical .* --amend"):
        issue("copy")


def test_a_certificate_of_an_interrupted_run_is_incomplete(
    store: SqliteStore, record: Callable[..., None], tmp_path: Path
) -> None:
    record("R7", verdicts="pass", unit=None)
    made = certify(store.run("R7"), store, tmp_path, now=NOW)
    assert made.certificate.verdict == "INCOMPLETE"
    assert made.certificate.missing == ("b",)


def test_a_file_is_held_against_the_record(issue: Callable[..., Issue], store: SqliteStore, tmp_path: Path) -> None:
    made = issue()
    pdf = made.paths[0]
    is_genuine, said = check_file(pdf, store.run("R1"), store, ())
    assert is_genuine
    assert said == f"the record of run R1 knows it as {NUMBER}.pdf, byte for byte"
    changed = tmp_path / "changed.pdf"
    changed.write_bytes(pdf.read_bytes() + b"\n")
    is_genuine, said = check_file(changed, store.run("R1"), store, ())
    assert not is_genuine
    assert said.startswith("not a file that the record of run R1 knows. SHA-256 ")
    with pytest.raises(UsageError, match="cannot be read"):
        check_file(tmp_path / "absent.pdf", store.run("R1"), store, ())


def test_a_file_is_whole_or_not_there(tmp_path: Path) -> None:
    target = tmp_path / "folder" / "file"
    assert write_whole(target, b"1") == target
    assert write_whole(target, b"2").read_bytes() == b"2"
    assert [path.name for path in target.parent.iterdir()] == ["file"]
    with pytest.raises(BenchError, match=r"cannot be written: .* The run itself is in the record\."):
        write_whole(target / "below", b"3")
