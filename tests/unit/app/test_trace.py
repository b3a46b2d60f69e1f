"""What rests on a part or an instrument."""

import pytest

from hil.app.trace import trace
from hil.core.ledger import CertificateIssued
from hil.errors import UsageError


@pytest.fixture
def filled(store, record):
    record("R1", opened="2026-11-01T10:00:00Z")
    record("R2", "pass fail", "FAIL", opened="2026-11-02T10:00:00Z", serial="QM2-00002")
    record("R3", opened="2026-11-03T10:00:00Z")
    store.add(CertificateIssued(uid="QI-C-1", time="2026-11-01T11:00:00Z", serial="QM2-00001", run="R1", sha256="0"))
    return store


def runs(found):
    return [one.run.run for one in found]


@pytest.mark.parametrize("what", ["c_1p", "supply", "QI-K-1", "QI-E-1", "maker,PS,17"])
def test_by_name_certificate_or_identity(filled, what):
    assert runs(trace(filled, what)) == ["R1", "R2", "R3"]


def test_dates(filled):
    assert runs(trace(filled, "c_1p", since="2026-11-02")) == ["R2", "R3"]
    assert runs(trace(filled, "c_1p", until="2026-11-02")) == ["R1"]
    with pytest.raises(UsageError, match="want dates like 2026-02-10, not 'yesterday'"):
        trace(filled, "c_1p", since="yesterday")


def test_what_stands_and_what_was_issued(filled):
    first, second, third = trace(filled, "c_1p", with_readings=True)
    assert [one.stands for one in (first, second, third)] == [False, True, True]
    assert [certificate.uid for certificate in first.certificates] == ["QI-C-1"]
    assert first.equipment == "c_1p, QI-K-1"
    assert first.readings == ("a", "b")


def test_listed_but_never_used(filled):
    assert trace(filled, "c_1n") == ()
    assert trace(filled, "counter") == ()


@pytest.mark.parametrize("what", ["c_2p", "%", "maker_PS"])
def test_unknown(filled, what):
    with pytest.raises(UsageError) as caught:
        trace(filled, what)
    assert str(caught.value) == (
        f"'{what}' is no part, instrument or certificate in this record. In it: c_1n, c_1p, counter, supply."
    )
