"""Limits files: what they mean, and every way they can be wrong."""

import pytest

from hil.core.limit import Rule, Tolerance
from hil.errors import FileError
from hil.files.limits import check_parts, check_temperatures, parse_limits
from hil.files.parts import parse_kit

HEAD = """format = 1
board = "qm2"
revision = "A"
attempts = 3
[scopes]
full = "every check"
boxed = "closed case"
"""
KIT = """format = 1
kit = "k"
[part.c_100p]
kind = "capacitor"
value = "100.08 pF"
expanded_uncertainty = "0.05 pF"
certificate = "QI-1"
issued = 2026-02-10
due = 2027-02-10
[part.c_1n_adjust]
kind = "capacitor"
value = "1 nF"
expanded_uncertainty = "0.05 pF"
certificate = "QI-2"
issued = 2026-02-10
due = 2027-02-10
use = "adjust"
"""


def row(body, head=HEAD):
    return parse_limits("limits/x.toml", f"{head}[limit.a]\n{body}\nreason = 'because'\n").rows[0]


def test_whole_file():
    limits = parse_limits(
        "limits/x.toml",
        HEAD
        + """[limit."ccal.as_found"]
title = "Ccal"
unit = "F"
nominal = "1200 pF"
tolerance = "1.0 % + 0.3 pF"
scopes = ["full", "boxed"]
at = { pack = "7.4 V", key = "KEY1", n = 3, twelve = "12", duty = "50 %", on = true }
reason = "specification"
rule = { kind = "guard_band", r = 0.83, binary = false, repeats = 4 }
margin = "0.05 %"
[limit.b]
expected = true
reason = "r"
""",
    )
    assert (limits.board, limits.revision, limits.attempts) == ("qm2", "A", 3)
    first = limits["ccal.as_found"]
    assert first.tolerance == Tolerance(relative=0.01, absolute=0.3e-12)
    assert first.lower == pytest.approx(1187.7e-12, rel=1e-12)
    assert first.upper == pytest.approx(1212.3e-12, rel=1e-12)
    assert first.at == {"pack": 7.4, "key": "KEY1", "n": 3.0, "twelve": "12", "duty": 0.5, "on": True}
    assert first.rule == Rule(kind="guard_band", r=0.83, binary=False, repeats=4)
    assert str(first.place) == "limits/x.toml:8"
    assert [one.name for one in limits.in_scope("boxed")] == ["ccal.as_found"]
    assert [one.name for one in limits.in_scope("full", "b*")] == ["b"]
    assert limits.outside("boxed") == ("b",)
    assert limits["b"].title == "b"


def test_default_rule_is_overruled_by_a_row():
    head = HEAD + "[rule]\nkind = 'guard_band'\n"
    assert row("unit = 'V'\nupper = '1 V'", head).rule.kind == "guard_band"
    assert row("unit = 'V'\nupper = '1 V'\nrule = 'simple'", head).rule == Rule()


def test_limit_around_a_part_waits_for_its_value():
    limit = row("unit = 'F'\npart = 'c_100p'\ntolerance = '1 %'")
    assert not limit.is_resolved
    resolved = limit.around(100e-12)
    assert (resolved.lower, resolved.upper) == (pytest.approx(99e-12), pytest.approx(101e-12))
    assert limit == row("unit = 'F'\npart = 'c_100p'\ntolerance = '1 %'")


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("uper = '1 V'", "9: limit.a.uper: unknown key. Did you mean 'upper'."),
        ("unit = 'volt'", "9: limit.a.unit: 'volt' is not known. Known: "),
        ("unit = 'V'\nupper = '1 A'", "10: limit.a.upper: '1 A' has the unit A, but V is needed."),
        ("unit = 'V'\nupper = 1", "10: limit.a.upper: 1 has no unit; write it as a text like '4.7 nF'."),
        ("unit = 'V'", "8: limit.a: nothing is limited: give lower, upper, a tolerance or an expected value."),
        ("unit = 'V'\nlower = '2 V'\nupper = '1 V'", "8: limit.a: lower 2 is above upper 1: nothing can pass."),
        ("unit = 'V'\ntolerance = '2 %'", "8: limit.a: a tolerance needs a nominal value or a part to be around."),
        (
            "unit = 'V'\nnominal = '5 V'\ntolerance = '2 %'\nupper = '6 V'",
            "12: limit.a.upper: stands beside a tolerance. Give the tolerance or lower and upper, not both.",
        ),
        (
            "unit = 'V'\nnominal = '5 V'\ntolerance = '0 %'",
            "11: limit.a.tolerance: a tolerance of zero cannot be: write what it really is.",
        ),
        (
            "unit = 'V'\nnominal = '5 V'\ntolerance = '-2 %'",
            "11: limit.a.tolerance: '-2 %' is negative; a half-width is written without a sign.",
        ),
        (
            "unit = 'V'\nnominal = '5 V'\ntolerance = '2 % + 3 mA'",
            "11: limit.a.tolerance: '3 mA' has the unit A, but the limit is in V.",
        ),
        ("expected = 3", "9: limit.a.expected: must be a text, true or false, not 3. Limit numbers by lower, upper."),
        (
            "expected = true\nunit = 'V'\nupper = '1 V'",
            "8: limit.a: 'expected' stands alone: take away lower, upper and tolerance.",
        ),
        ("upper = '1'\nscopes = ['ful']", "10: limit.a.scopes: 'ful' is not in [scopes]. Did you mean 'full'."),
        ("upper = '1'\nscopes = []", "10: limit.a.scopes: is empty: the row would never be measured. Name a scope"),
        ("upper = '1'\nrule = 'guard'", "10: limit.a.rule: 'guard' is not known. "),
        ("upper = '1'\nrule = { kind = 'specific_risk' }", "10: limit.a.rule: rule 'specific_risk' needs max_risk"),
        ("upper = '1'\nrule = { kind = 'guard_band', r = -1 }", "10: limit.a.rule: r must be zero or more, not -1.0."),
    ],
)
def test_refused_rows(body, said):
    with pytest.raises(FileError) as caught:
        row(body)
    assert str(caught.value).startswith(f"limits/x.toml:{said}")


def test_a_limit_without_its_reason_is_refused():
    with pytest.raises(FileError) as caught:
        parse_limits("x.toml", HEAD + "[limit.a]\nupper = '1'\n")
    assert str(caught.value) == "x.toml:8: limit.a.reason: is missing. Add 'reason' to this table."


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD, "x.toml:1: limit: no limit is given. Add a table [limit.NAME]."),
        (HEAD.replace("attempts = 3", "attempts = 0"), "x.toml:4: attempts: must be 1 or more, not 0."),
        ("format = 1\nlimits = 1", "x.toml:2: limits: unknown key. Did you mean 'limit'."),
        ("format = 1", 'x.toml:1: scopes: names no scope. Add a table [scopes] with full = "every check".'),
    ],
)
def test_refused_files(text, said):
    with pytest.raises(FileError) as caught:
        parse_limits("x.toml", text + ("\n[limit.a]\nupper = '1'\nreason = 'r'\n" if "attempts = 0" in text else ""))
    assert str(caught.value) == said


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("unit = 'F'\npart = 'c_100'\ntolerance = '1 %'", "'c_100' is not in kit.toml. Did you mean 'c_100p'."),
        ("unit = 'H'\npart = 'c_100p'\ntolerance = '1 %'", "'c_100p' is in F, but the limit is in H. Correct unit."),
        ("unit = 'F'\npart = 'open'\ntolerance = '1 pF'", "'open' has no value to be the nominal. Add nominal, or"),
        (
            "unit = 'F'\npart = 'c_100p'\ntolerance = '0.04 pF'\nrule = 'guard_band'",
            "no acceptance zone is left: 'c_100p' alone has U = 50 fF, and its guard bands are wider",
        ),
        (
            "unit = 'F'\npart = 'c_1n_adjust'\ntolerance = '1 %'",
            "'c_1n_adjust' is used for adjusting and cannot verify. Name another part of kit.toml.",
        ),
    ],
)
def test_limits_that_do_not_fit_the_kit(body, said):
    limits = parse_limits("x.toml", f"{HEAD}[limit.a]\n{body}\nreason = 'r'\n")
    with pytest.raises(FileError) as caught:
        check_parts(limits, parse_kit("kit.toml", KIT, today="2026-11-25"))
    assert str(caught.value).startswith(f"x.toml:8: limit.a.part: {said}")


RANGES = (
    KIT
    + """[part.l_1m]
kind = "inductor"
value = "1 mH"
expanded_uncertainty = "1 uH"
frequency_range = ["1 kHz", "100 kHz"]
temperature_range = ["20 degC", "26 degC"]
certificate = "QI-3"
issued = 2026-02-10
due = 2027-02-10
[part.l_100m]
kind = "inductor"
value = "100 mH"
expanded_uncertainty = "100 uH"
self_resonance = "15 kHz"
certificate = "QI-4"
issued = 2026-02-10
due = 2027-02-10
"""
)


@pytest.mark.parametrize(
    ("part", "unit", "said"),
    [
        (
            "l_1m",
            "unit = 'H'\n",
            "'l_1m' is read at about 184 kHz, outside its frequency range 1.00 kHz … 100 kHz (kit.toml:18). Take a "
            "part that is meant for it.",
        ),
        ("l_1m", "", "'l_1m' is read at about 184 kHz, outside its frequency range 1.00 kHz … 100 kHz"),
        ("l_100m", "unit = 'H'\n", "'l_100m' is read at about 19.3 kHz, above its self-resonance (kit.toml:27)"),
    ],
)
def test_a_part_outside_its_frequency_range_is_refused(part, unit, said):
    limits = parse_limits(
        "x.toml", f"{HEAD}[limit.a]\n{unit}part = '{part}'\nupper = '1{' H' * bool(unit)}'\nreason = 'r'\n"
    )
    with pytest.raises(FileError) as caught:
        check_parts(limits, parse_kit("kit.toml", RANGES, today="2026-11-25"))
    assert str(caught.value).startswith(f"x.toml:8: limit.a.part: {said}")


def test_a_part_that_is_only_connected_may_be_anything():
    body = "unit = 'V'\npart = 'l_1m'\nupper = '1 V'"
    check_parts(
        parse_limits("x.toml", f"{HEAD}[limit.a]\n{body}\nreason = 'r'\n"), parse_kit("k", RANGES, today="2026-11-25")
    )


ROOM = "[limit.room]\nunit = 'degC'\nlower = '18 degC'\nupper = '28 degC'\nreason = 'r'\n"
COIL = "[limit.l]\nunit = 'H'\npart = 'l_1m'\ntolerance = '1 %'\nreason = 'r'\n"


def test_a_room_outside_the_temperature_range_of_a_part_is_refused():
    kit = parse_kit("kit.toml", RANGES, today="2026-11-25")
    with pytest.raises(FileError) as caught:
        check_temperatures(parse_limits("x.toml", HEAD + ROOM + COIL), kit)
    assert str(caught.value) == (
        "x.toml:8: limit.room: allows 18 … 28 degC, outside the temperature range 20 … 26 degC of 'l_1m' (kit.toml:18)"
        ". Narrow the limit."
    )
    narrow = ROOM.replace("18", "20").replace("28", "26")
    check_temperatures(parse_limits("x.toml", HEAD + narrow + COIL), kit)
    check_temperatures(parse_limits("x.toml", HEAD + ROOM), kit)  # the coil is not used


def test_a_temperature_that_nobody_measures_must_lie_in_the_range():
    kit = parse_kit("kit.toml", RANGES, today="2026-11-25")
    limits = parse_limits("x.toml", HEAD + COIL)
    check_temperatures(limits, kit, unknown_within_k=3.0)
    with pytest.raises(FileError) as caught:
        check_temperatures(limits, kit, unknown_within_k=4.0)
    assert str(caught.value) == (
        "kit.toml:18: part.l_1m: may be used within ±4 K of 23 degC, outside the temperature range 20 … 26 degC of "
        "'l_1m'. Put a thermometer at the jig, or take another part."
    )


def test_limits_that_fit_the_kit():
    body = "unit = 'F'\npart = 'c_100p'\ntolerance = '1 %'"
    limits = parse_limits("x.toml", f"{HEAD}[limit.a]\n{body}\nreason = 'r'\n")
    check_parts(limits, parse_kit("kit.toml", KIT, today="2026-11-25"))


WIDER = HEAD + 'with_programming = { title = "and programming", includes = ["full"] }\n'


def test_a_scope_takes_in_the_rows_of_another():
    limits = parse_limits(
        "x.toml",
        WIDER
        + "[limit.a]\nupper = '1'\nreason = 'r'\n"
        + "[limit.b]\nupper = '1'\nreason = 'r'\nscopes = ['boxed']\n"
        + "[limit.c]\nupper = '1'\nreason = 'r'\nscopes = ['with_programming']\n",
    )
    assert limits.scopes["with_programming"] == "and programming"
    assert [row.name for row in limits.in_scope("full")] == ["a"]
    assert [row.name for row in limits.in_scope("with_programming")] == ["a", "c"]


def test_a_scope_can_only_take_in_one_that_exists():
    with pytest.raises(FileError) as caught:
        parse_limits("x.toml", WIDER.replace('["full"]', '["fool"]') + "[limit.a]\nupper = '1'\nreason = 'r'\n")
    assert str(caught.value) == (
        "x.toml:8: scopes.with_programming.includes: 'fool' is not another scope of [scopes]. Name one."
    )
