"""Issuer files: text of ``reports/certificate.toml`` -> `hil.core.issuer.Issuer`. The grammar stands in that file."""

from hil.core.issuer import Issuer
from hil.files.located import parse_document

TEXT_KEYS = (
    "maker", "address", "place", "meter", "description", "customer", "method", "specification", "condition",
    "authorised_by",
)  # fmt: skip


def parse_issuer(label: str, text: str) -> Issuer:
    """Read an issuer file.

    Raises:
        FileError: anything wrong, with line, key and remedy.
    """
    document = parse_document(label, text)
    document.only(("format", *TEXT_KEYS, "country", "titles"))
    words = {key: document.text(key) for key in TEXT_KEYS}
    for key, value in words.items():
        if not value.strip():
            raise document.error(key, "is empty, but a certificate needs it. Write it.")
    titles = document.table("titles")
    country = document.text("country", "ZZ")
    if not (len(country) == 2 and country.isascii() and country.isupper()):
        raise document.error("country", f"{country!r} is no code of two capital letters (ISO 3166-1), like 'NO'.")
    return Issuer(**words, country=country, titles={name: titles.text(name) for name in titles.values})
