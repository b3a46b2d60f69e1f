"""Facts about units that a person tells the record: NAME=VALUE, as given to ``hil check --fact``.

Lot figures ask for ``component_lot``, the certificate for ``condition``, ``received`` and ``humidity_percent``; any
other name is kept as it is. What a check finds itself (the firmware's version) stands in place of what was told.
"""

import re
from collections.abc import Iterable

from hil.errors import UsageError

RESERVED = "study"  # names that begin so are the studies' own


def parse_facts(texts: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Read facts.

    Raises:
        UsageError: not NAME=VALUE, a name told twice, or one that is kept for studies.
    """
    found: dict[str, str] = {}
    for text in texts:
        name, equals, value = (piece.strip() for piece in text.partition("="))
        if not equals or not value or re.fullmatch(r"[a-z][a-z0-9_]*", name) is None:
            raise UsageError(
                f"--fact '{text}': write NAME=VALUE, the name in small letters, for example component_lot=C1-2608."
            )
        if name.startswith(RESERVED):
            raise UsageError(f"--fact '{text}': names that begin with '{RESERVED}' are kept for 'hil study'.")
        if name in found:
            raise UsageError(f"--fact '{text}': {name} is told twice.")
        found[name] = value
    return tuple(found.items())
