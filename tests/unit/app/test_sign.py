"""Signatures: a good one, and everything that must not count as one."""

import datetime
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID

from hil.app.certify import shipped_paper
from hil.app.sign import check_signature, pdf_signer
from hil.errors import UsageError
from hil.render.typeset import _compile

PASSPHRASE = "quillmere"


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A PKCS #12 file with its own certificate, and that certificate."""
    folder = tmp_path_factory.mktemp("keys")
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Quillmere Instruments, certificates")])
    now = datetime.datetime.now(datetime.UTC)
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=True, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=True, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    certificate = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=30))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .sign(key, hashes.SHA256())
    )
    protection = serialization.BestAvailableEncryption(PASSPHRASE.encode())
    bundle = pkcs12.serialize_key_and_certificates(b"q", key, certificate, None, protection)
    (folder / "key.p12").write_bytes(bundle)
    (folder / "root.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    return folder / "key.p12", folder / "root.pem"


@pytest.fixture(scope="module")
def pdf() -> bytes:
    how = {"pdf_standards": ["a-3b"], "timestamp": 1_700_000_000}
    return _compile('#set document(title: "t")\nA certificate.', {}, shipped_paper(), **how)


@pytest.fixture(scope="module")
def signed(keys: tuple[Path, Path], pdf: bytes) -> bytes:
    return pdf_signer(keys[0], PASSPHRASE)(pdf)


def test_a_good_signature_covers_the_whole_file(keys: tuple[Path, Path], pdf: bytes, signed: bytes) -> None:
    assert signed.startswith(pdf)
    found = check_signature(signed, [keys[1]])
    assert found.is_good
    assert found.why_not == ""
    assert "Quillmere Instruments, certificates" in found.signer


def test_bytes_appended_after_signing_are_noticed(keys: tuple[Path, Path], signed: bytes) -> None:
    from io import BytesIO

    from pyhanko.pdf_utils.generic import NameObject, TextStringObject
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    writer = IncrementalPdfFileWriter(BytesIO(signed))
    writer.root[NameObject("/Added")] = TextStringObject("later")
    writer.update_root()
    out = BytesIO()
    writer.write(out)
    found = check_signature(out.getvalue(), [keys[1]])
    assert found.is_intact  # the signature alone would still validate
    assert not found.is_whole
    assert not found.is_good
    assert found.why_not == "does not cover the whole file: something was appended after signing"


def test_a_changed_byte_is_noticed(keys: tuple[Path, Path], signed: bytes) -> None:
    at = signed.index(b"stream\n") + 20
    changed = signed[:at] + bytes([signed[at] ^ 1]) + signed[at + 1 :]
    found = check_signature(changed, [keys[1]])
    assert not found.is_good
    assert found.why_not == "does not fit the file: it was changed after signing"


def test_a_stranger_is_not_trusted(keys: tuple[Path, Path], signed: bytes) -> None:
    found = check_signature(signed, [])
    assert not found.is_good
    assert found.why_not == "is not from anyone who is trusted here"


def test_what_is_missing_is_named(keys: tuple[Path, Path], pdf: bytes, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"carries no signature\. Sign it with 'hil certify RUN --sign FILE'"):
        check_signature(pdf, [keys[1]])
    with pytest.raises(UsageError, match=r"there is no such file\. --sign takes a PKCS #12 file"):
        pdf_signer(tmp_path / "none.p12", PASSPHRASE)
    with pytest.raises(UsageError, match=r"cannot be read as PKCS #12\. Is the passphrase right\?"):
        pdf_signer(keys[0], "wrong")
    with pytest.raises(UsageError, match="A trusted certificate cannot be read"):
        check_signature(pdf_signer(keys[0], PASSPHRASE)(pdf), [tmp_path / "none.pem"])
