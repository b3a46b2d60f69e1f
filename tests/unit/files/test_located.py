"""Values of a data file and the lines they stand on."""

import datetime
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.errors import FileError
from hil.files.located import did_you_mean, parse_document

TEXT = '''format = 1
# a comment with [brackets] and "quotes"
words = """
not = "a key"
[not.a.table]
"""
[limit.a]
unit = "V"  # comment
at = { pack = "7.4 V", deep = { er = 1 } }
[limit."c.d"]
entries = [
  { date = 2025-02-11, value = "1 F" },  # one
  { date = 2025-02-12, value = "2 F" },
]
x.y = 1.5
[[part]]
a = 1
[[part]]
a = 2
[part.sub]
b = 'lite#ral'
'''


@pytest.fixture(scope="module")
def document():
    return parse_document("f.toml", TEXT)


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("format",), 1),
        (("words",), 3),
        (("limit", "a"), 7),
        (("limit", "a", "unit"), 8),
        (("limit", "a", "at", "pack"), 9),
        (("limit", "a", "at", "deep", "er"), 9),
        (("limit", "c.d"), 10),
        (("limit", "c.d", "entries", 1, "value"), 13),
        (("limit", "c.d", "x", "y"), 15),
        (("part", 0, "a"), 17),
        (("part", 1, "a"), 19),
        (("part", 1, "sub", "b"), 21),
    ],
)
def test_every_key_knows_its_line(document, path, line):
    assert document.lines[path] == line


def test_texts_over_several_lines_hold_no_keys(document):
    assert ("not",) not in document.lines
    assert ("not", "a", "table") not in document.lines


def test_error_names_file_line_key_and_problem(document):
    entry = list(document.table("limit").table("c.d").entries("entries"))[1]
    assert str(entry.error("value", "is wrong.")) == 'f.toml:13: limit."c.d".entries[2].value: is wrong.'


def test_missing_key_is_shown_at_its_table(document):
    with pytest.raises(FileError) as caught:
        document.table("limit").table("a").text("title")
    assert str(caught.value) == "f.toml:7: limit.a.title: is missing. Add 'title' to this table."


def test_unknown_key(document):
    with pytest.raises(FileError) as caught:
        document.table("limit").table("a").only(("units", "at"))
    assert str(caught.value) == "f.toml:8: limit.a.unit: unknown key. Did you mean 'units'."


def test_did_you_mean_lists_when_nothing_is_near():
    assert did_you_mean("zzz", ("upper", "lower")) == "Known: lower, upper."


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = 1", "f:1: format: is missing. Write 'format = 1' in the first line."),
        ("format = 2", "f:1: format: is 2, but this program reads format 1. A newer program may read it."),
        ("format = 0", "f:1: format: is 0, but this program reads format 1. It is from an older program."),
        ("format = true", "f:1: format: must be a whole number, not True."),
        (
            "format = 1\na = 1\na = 2\n",
            "f:3: not valid TOML: Cannot overwrite a value. A key or table stands there twice. Correct the line.",
        ),
        ("format = 1\nx = [1,\n", "f:3: not valid TOML: Invalid value. Correct the line."),
    ],
)
def test_refused_documents(text, said):
    with pytest.raises(FileError) as caught:
        parse_document("f", text)
    assert str(caught.value) == said


@pytest.mark.parametrize(
    ("line", "read", "said"),
    [
        ("x = 3", lambda t: t.text("x"), "must be a text, not 3."),
        ("x = 3", lambda t: t.flag("x"), "must be true or false, not 3."),
        ("x = 3", lambda t: t.quantity("x", "V"), "3 has no unit; write it as a text like '4.7 nF'."),
        ('x = "3 A"', lambda t: t.quantity("x", "V"), "'3 A' has the unit A, but V is needed."),
        ('x = "-1 V"', lambda t: t.quantity("x", "V", above=0.0), "must be more than 0 V, not '-1 V'."),
        ('x = "-1 V"', lambda t: t.quantity("x", "V", minimum=0.0), "must be 0 V or more, not '-1 V'."),
        ("x = 0.5", lambda t: t.number("x", minimum=1.0), "must be 1 or more, not 0.5."),
        ("x = nan", lambda t: t.number("x"), "must be a finite number, not nan."),
        ("x = inf", lambda t: t.number("x"), "must be a finite number, not inf."),
        ("x = 0", lambda t: t.integer("x", minimum=1), "must be 1 or more, not 0."),
        (
            "x = 2025-01-01T00:00:00",
            lambda t: t.date("x"),
            "must be a date like 2026-02-10 without quotes, not datetime.datetime(2025, 1, 1, 0, 0).",
        ),
        ("x = [1]", lambda t: t.texts("x"), "must be a list of texts, and 1 is not one."),
        ("x = ['2 V', '1 V']", lambda t: t.span("x", "V"), "'2 V' is not below '1 V'. Put the lower one first."),
        ("x = ['2 V']", lambda t: t.span("x", "V"), "must be two values like ['1 V', '2 V']."),
        ("x = 'b'", lambda t: t.choice("x", ("alpha",)), "'b' is not known. Known: alpha."),
        ("x = 1", lambda t: t.table("x"), "must be a table, not 1."),
        ("x = [1]", lambda t: list(t.entries("x")), "must be a list of tables, and 1 is not one."),
    ],
)
def test_typed_reading_refuses(line, read, said):
    with pytest.raises(FileError) as caught:
        read(parse_document("f", f"format = 1\n{line}"))
    assert str(caught.value) == f"f:2: x: {said}"


def test_typed_reading():
    table = parse_document("f", "format = 1\nd = 2026-02-10\nn = 2\nq = '4.7 nF'\ns = ['1 V', '2 V']\nt = ['a']")
    assert table.date("d") == datetime.date(2026, 2, 10)
    assert table.number("n") == 2.0
    assert table.quantity("q", "F") == 4.7e-9
    assert table.span("s", "V") == (1.0, 2.0)
    assert table.texts("t") == ("a",)
    assert table.quantity("none", "F", None) is None


KEYS = st.text(st.sampled_from('ab.-_ é"#=[]{},'), min_size=1, max_size=6)


@given(st.lists(KEYS, min_size=1, max_size=4, unique=True), st.sampled_from(["1", '"x # ]"', "[1, [2]]", "{ k = 1 }"]))
def test_any_quoted_key_is_found(keys, value):
    quoted = ['"' + key.replace('"', '\\"') + '"' for key in keys]
    text = "format = 1\n" + "".join(f"[{key}]\nv = {value}\n" for key in quoted)
    assert set(tomllib.loads(text)) == {"format", *keys}
    document = parse_document("f", text)
    for index, key in enumerate(keys):
        assert document.lines[(key,)] == 2 + 2 * index
        assert document.lines[(key, "v")] == 3 + 2 * index
