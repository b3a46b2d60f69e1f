"""Files with an order of rows: written, read again, refused for other limits."""

import pytest

from hil.app.locate import load_limits
from hil.errors import FileError
from hil.files.check_order import order_text, parse_order

LIMITS = load_limits("qm2")
ROWS = tuple(row.name for row in reversed(LIMITS.rows))
TEXT = order_text(ROWS, board="qm2", limits=LIMITS)


def test_an_order_is_read_as_it_was_written():
    assert parse_order("order.toml", TEXT, LIMITS).rows == ROWS


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (LIMITS.sha256, "0" * 64, "Make a new order with 'hil coverage --order'."),
        ('"r_5v"', '"r_5w"', "'r_5w' is no row of limits/qm2.toml. Did you mean 'r_5v'"),
        ('"r_5v"', '"r_3v"', "'r_3v' is named twice. Remove one of them."),
        ('board = "qm2"', 'board = "qm3"', "is 'qm3', but the limits are of 'qm2'."),
    ],
)
def test_complaints(old, new, said):
    with pytest.raises(FileError) as caught:
        parse_order("order.toml", TEXT.replace(old, new), LIMITS)
    assert said in str(caught.value)
    assert str(caught.value).startswith("order.toml:")
