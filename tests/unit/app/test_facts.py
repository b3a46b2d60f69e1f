"""Facts that a person tells the record."""

import pytest

from hil.app.facts import parse_facts
from hil.errors import UsageError


def test_facts_are_kept_in_their_order() -> None:
    assert parse_facts(["component_lot=C1 = 2608", "condition=new"]) == (
        ("component_lot", "C1 = 2608"),
        ("condition", "new"),
    )
    assert parse_facts([]) == ()


@pytest.mark.parametrize(
    ("texts", "sentence"),
    [
        (["component_lot"], "write NAME=VALUE"),
        (["Component=1"], "the name in small letters"),
        (["component_lot="], "write NAME=VALUE"),
        (["study_plan=x"], "names that begin with 'study' are kept for 'hil study'"),
        (["a=1", "a=2"], "a is told twice"),
    ],
)
def test_what_is_wrong_with_a_fact(texts: list[str], sentence: str) -> None:
    with pytest.raises(UsageError, match=sentence):
        parse_facts(texts)
