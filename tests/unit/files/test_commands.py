"""Command sets: every shipped one is whole, and what is wrong in one is told with its place."""

import pytest

from hil.app.locate import FOLDERS
from hil.errors import FileError
from hil.files.commands import parse_commands
from hil.wire.instrument import VERBS

GOOD = """format = 1
commands = "mine"
kind = "supply"
start = ""
acknowledge = ""
[verb.voltage_v]
send = "MEAS:VOLT?"
answer = "number"
scale = 0.001
time = "100 ms"
"""


@pytest.mark.parametrize("path", sorted(FOLDERS["commands"].glob("*.toml")), ids=lambda path: path.stem)
def test_a_shipped_command_set_has_every_verb_of_its_kind(path: object) -> None:
    found = parse_commands(path.name, path.read_text())  # type: ignore[attr-defined]
    assert found.name == path.stem  # type: ignore[attr-defined]
    assert set(found.verbs) == set(VERBS[found.kind])


def test_there_is_one_for_every_kind() -> None:
    kinds = {parse_commands(path.name, path.read_text()).kind for path in FOLDERS["commands"].glob("*.toml")}
    assert kinds == set(VERBS)


def test_keys_are_read() -> None:
    found = parse_commands("mine.toml", GOOD)
    verb = found.verbs["voltage_v"]
    assert (found.start, found.acknowledge, verb.scale, verb.seconds) == ("", "", 0.001, 0.1)


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('kind = "supply"', 'kind = "suply"', "mine.toml:3: kind: 'suply' is not known. Did you mean 'supply'."),
        ("[verb.voltage_v]", "[verb.voltage]", "mine.toml:6: verb.voltage: unknown key. Did you mean 'voltage_v'."),
        ("scale", "scael", "mine.toml:9: verb.voltage_v.scael: unknown key. Did you mean 'scale'."),
        ("MEAS:VOLT?", "MEAS:VOLT", "mine.toml:6: verb.voltage_v: 'MEAS:VOLT' with answer 'number': a question has"),
        ("MEAS:VOLT?", "MEAS:VOLT? {x}", "mine.toml:6: verb: voltage_v: {x} is not known in a template; known: none."),
        ("MEAS:VOLT?", "MEAS:VOLT? {", "mine.toml:6: verb"),
        ("0.001", "0.0", "mine.toml:6: verb.voltage_v: scale must be a finite number and not zero"),
        ('"100 ms"', '"100 mV"', "mine.toml:10: verb.voltage_v.time:"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(old: str, new: str, complaint: str) -> None:
    with pytest.raises(FileError) as caught:
        parse_commands("mine.toml", GOOD.replace(old, new))
    assert str(caught.value).startswith(complaint)
