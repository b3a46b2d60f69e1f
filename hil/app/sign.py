"""Signatures on certificates, with pyHanko (the optional extra ``signatures``).

A signature counts only when it covers the whole file: bytes appended after signing leave it valid by itself, so
`check_signature` demands full coverage besides an intact digest and a trusted signer.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

from hil.errors import UsageError

FIELD = "Certificate"


@dataclass(frozen=True, slots=True, kw_only=True)
class SignatureCheck:
    """What was found of a signature."""

    signer: str
    is_intact: bool  # the digest fits
    is_whole: bool  # it covers the entire file
    is_trusted: bool  # the signer's certificate leads to one of the roots

    @property
    def is_good(self) -> bool:
        """Whether the file is as it was signed, by someone who is trusted."""
        return self.is_intact and self.is_whole and self.is_trusted

    @property
    def why_not(self) -> str:
        """What is wrong with it, in words; empty when it is good."""
        if not self.is_intact:
            return "does not fit the file: it was changed after signing"
        if not self.is_whole:
            return "does not cover the whole file: something was appended after signing"
        return "" if self.is_trusted else "is not from anyone who is trusted here"


def pdf_signer(key: Path, passphrase: str) -> Callable[[bytes], bytes]:
    """A function that signs the bytes of a PDF.

    Args:
        key: PKCS #12 file with key and certificate.

    Raises:
        UsageError: pyHanko is not installed, or the key cannot be read.
    """
    signers = _pyhanko("pyhanko.sign.signers")
    writer = _pyhanko("pyhanko.pdf_utils.incremental_writer")
    if not key.is_file():
        raise UsageError(f"{key}: there is no such file. --sign takes a PKCS #12 file with key and certificate.")
    signer = signers.SimpleSigner.load_pkcs12(str(key), passphrase=passphrase.encode())
    if signer is None:
        raise UsageError(f"{key}: cannot be read as PKCS #12. Is the passphrase right?")

    def sign(pdf: bytes) -> bytes:
        out = BytesIO()
        about = signers.PdfSignatureMetadata(field_name=FIELD)
        signers.sign_pdf(writer.IncrementalPdfFileWriter(BytesIO(pdf)), about, signer=signer, output=out)
        return out.getvalue()

    return sign


def check_signature(pdf: bytes, roots: Sequence[Path]) -> SignatureCheck:
    """Check the signature of a PDF.

    Args:
        roots: certificates (PEM or DER) that are trusted.

    Raises:
        UsageError: pyHanko is not installed, the file carries no signature, or a root cannot be read.
    """
    reader_module = _pyhanko("pyhanko.pdf_utils.reader")
    validation = _pyhanko("pyhanko.sign.validation")
    status_module = _pyhanko("pyhanko.sign.validation.status")
    context_module = _pyhanko("pyhanko_certvalidator")
    keys = _pyhanko("pyhanko.keys")
    signatures = reader_module.PdfFileReader(BytesIO(pdf)).embedded_signatures
    if not signatures:
        raise UsageError("The PDF carries no signature. Sign it with 'hil certify RUN --sign FILE'.")
    try:
        trusted = [keys.load_cert_from_pemder(str(root)) for root in roots]
    except (OSError, ValueError) as problem:
        raise UsageError(f"A trusted certificate cannot be read: {problem}.") from None
    context = context_module.ValidationContext(trust_roots=trusted)
    status = validation.validate_pdf_signature(signatures[-1], context)
    return SignatureCheck(
        signer=status.signing_cert.subject.human_friendly,
        is_intact=status.intact and status.valid,
        is_whole=status.coverage == status_module.SignatureCoverageLevel.ENTIRE_FILE,
        is_trusted=status.trusted,
    )


def _pyhanko(name: str) -> Any:
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError:
        raise UsageError("Signatures need pyHanko. Install it with: pip install 'hil[signatures]'.") from None
