"""The file hil.toml."""

import pytest

from hil.errors import FileError
from hil.files.settings import Written, parse_settings


def test_only_what_is_written_is_found():
    assert parse_settings("hil.toml", "format = 1\nbench = 'west.toml'\nchecks = ['a', 'b']") == {
        "bench": Written(value="west.toml", origin="hil.toml:2"),
        "checks": Written(value=("a", "b"), origin="hil.toml:3"),
    }


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("bensh = 'x'", "hil.toml:2: bensh: unknown key. Did you mean 'bench'."),
        ("lot = ' '", "hil.toml:2: lot: is empty. Give a value or delete the line."),
        ("lot = 3", "hil.toml:2: lot: must be a text, not 3."),
    ],
)
def test_refused(line, said):
    with pytest.raises(FileError) as caught:
        parse_settings("hil.toml", f"format = 1\n{line}")
    assert str(caught.value) == said
