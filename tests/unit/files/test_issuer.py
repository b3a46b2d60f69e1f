"""The maker's words."""

from pathlib import Path

import pytest

from hil.errors import FileError
from hil.files.issuer import TEXT_KEYS, parse_issuer

SHIPPED = Path(__file__).parents[3] / "reports" / "certificate.toml"
TEXT = 'format = 1\ncountry = "NO"\n' + "".join(f'{key} = "some {key}"\n' for key in TEXT_KEYS)


def test_words_and_titles_are_read() -> None:
    issuer = parse_issuer("c.toml", TEXT + '[titles]\nrails = "Supply rails"\n')
    assert issuer.maker == "some maker"
    assert issuer.country == "NO"
    assert issuer.titles == {"rails": "Supply rails"}


def test_the_shipped_words_are_whole_and_title_every_module_of_checks() -> None:
    issuer = parse_issuer("certificate.toml", SHIPPED.read_text(encoding="utf-8"))
    modules = {
        path.stem.removeprefix("test_").lstrip("0123456789").lstrip("_")
        for path in (SHIPPED.parents[1] / "tests" / "board").glob("test_*.py")
    }
    assert set(issuer.titles) == modules


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('maker = "some maker"', 'maker = " "'), "c.toml:3: maker: is empty, but a certificate needs it. Write it."),
        (('"NO"', '"no"'), "c.toml:2: country: 'no' is no code of two capital letters (ISO 3166-1), like 'NO'."),
        (("maker =", "makr ="), "c.toml:3: makr: unknown key. Did you mean 'maker'."),
    ],
)
def test_what_is_wrong_is_named(change: tuple[str, str], says: str) -> None:
    with pytest.raises(FileError) as problem:
        parse_issuer("c.toml", TEXT.replace(*change))
    assert str(problem.value) == says
