"""The order in which the rows of a check are to be taken, from a file that `hil coverage` made."""

from pathlib import Path

from hil.app.locate import label_of, load_limits, read_text
from hil.app.settings import Settings


def read_order(value: str, settings: Settings) -> tuple[str, ...]:
    """Row names in a chosen order; "" leaves the order as it is.

    Raises:
        UsageError: the file cannot be read, is wrong, or was made for other limits.
    """
    if not value:
        return ()
    from hil.files.check_order import parse_order

    path = Path(value).expanduser()
    return parse_order(label_of(path), read_text(path), load_limits(settings["limits"])).rows
