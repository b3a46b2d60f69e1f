"""Synthetic runs for the tests of this room: every number is made here, none comes from a bench."""

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from hil.core.issuer import Issuer
from hil.core.records import (
    BudgetRow,
    InstrumentUsed,
    PartUsed,
    Reading,
    Run,
    RunClosed,
    RunOpened,
    Statement,
    UnitVerdict,
    Value,
    Verdict,
)
from hil.render.certificate import Certificate, build
from hil.render.typeset import Paper

C_VALUES = [m * 10.0**e for e in range(-12, -6) for m in (1.0, 2.2, 4.7)] + [1e-6]
L_VALUES = [m * 10.0**e for e in range(-6, -1) for m in (1.0, 2.2, 4.7)] + [1e-1]
RAILS = [("rail_5v", 5.0), ("rail_3v", 3.02), ("aref", 5.0), ("divider", 2.96)]


def _part_name(value: float, unit: str) -> str:
    letter = "c" if unit == "F" else "l"
    for scale, prefix in ((1e-12, "p"), (1e-9, "n"), (1e-6, "u"), (1e-3, "m")):
        if value < 999.9 * scale:
            digits = f"{value / scale:.3g}"
            return f"{letter}_{digits.replace('.', prefix) if '.' in digits else digits + prefix}"
    raise ValueError(value)


def tolerance(value: float, unit: str) -> float:
    """Half-width of the specification of an instrument like this (made up)."""
    if unit == "F":
        return 0.01 * value + 0.3e-12 if value <= 10.0001e-9 else 0.02 * value
    return 0.015 * value + 0.05e-6 if value <= 1.0001e-3 else 0.03 * value


def reading(name: str, value: Value, unit: str, **more: object) -> Reading:
    """A passing reading with usual surroundings."""
    fields: dict[str, object] = {
        "verdict": Verdict.PASS,
        "group": "rails",
        "simulated": True,
        "time": "2026-11-25T04:30:12.345+00:00",
        "seconds": 0.2,
        "statement": Statement.PASS,
        "instruments": ("voltmeter",),
    }
    return Reading(name=name, value=value, unit=unit, **(fields | more))  # type: ignore[arg-type]


def accuracy(value: float, unit: str, place: int, simulated: bool) -> Reading:
    """A reading of a reference part, off by a made-up share of its limit."""
    half = tolerance(value, unit)
    uncertainty = 0.12 * half * (1 + 0.5 * math.cos(place))
    name = _part_name(value, unit)
    return reading(
        name,
        value + half * 0.55 * math.sin(1.7 * place),
        unit,
        title=f"{'capacitance' if unit == 'F' else 'inductance'} {name[2:]}",
        group="capacitance" if unit == "F" else "inductance",
        nominal=value,
        lower=value - half,
        upper=value + half,
        accept_lower=value - half + uncertainty,
        accept_upper=value + half - uncertainty,
        expanded_uncertainty=uncertainty,
        coverage_factor=2.0 if place % 7 else 2.26,
        effective_dof=None if place % 7 else 9.0,
        budget=(
            BudgetRow(
                name="reference part", standard_uncertainty=uncertainty / 2, unit=unit, sensitivity=1.0,
                contribution=uncertainty / 2, kind="B", distribution="normal", dof=None,
            ),
        ),
        rule="guard_band",
        parts=(name,),
        instruments=("meter",),
        simulated=simulated,
    )  # fmt: skip


def readings(simulated: bool) -> list[Reading]:
    """About a hundred readings of every kind."""
    made = [
        reading("contact_jig", 0.12, "ohm", title="contact of the jig", group="unpowered", upper=1.0),
        reading("r_5v", None, "ohm", title="5 V rail to ground, unpowered", group="unpowered", lower=100.0,
                reason="reads infinite"),
        reading("boots", True, "", title="boots", group="identity", expected=True),
        reading("firmware", "1.4.0", "", title="firmware version", group="identity", expected="1.4.0"),
        reading("i_idle", 31.42e-3, "A", title="supply current idle", group="supply", upper=44e-3, lower=24e-3,
                expanded_uncertainty=0.4e-3, coverage_factor=2.0),
    ]  # fmt: skip
    for name, nominal in RAILS:
        for pack in ("6.0 V", "7.4 V", "8.4 V"):
            made.append(
                reading(f"{name}_{pack[0]}", nominal * 1.003, "V", title=f"{name.replace('_', ' ')} at {pack} pack",
                        nominal=nominal, lower=0.98 * nominal, upper=1.02 * nominal, expanded_uncertainty=1.2e-3,
                        coverage_factor=2.0)
            )  # fmt: skip
    for pack in range(60, 85, 3):
        volts = pack / 10
        made.append(
            reading(f"battery_{pack}", volts * 0.997, "V", title=f"battery reading at {volts:.1f} V", group="battery",
                    nominal=volts, lower=0.98 * volts, upper=1.02 * volts, expanded_uncertainty=4.6e-3,
                    coverage_factor=2.0)
        )  # fmt: skip
    for name, title, unit, found, left, half, place in (
        ("timebase", "timebase against reference", "", 31.2e-6, -4.4e-6, 20e-6, 0.0),
        ("ccal", "Ccal", "F", 1203.4e-12, 1196.8e-12, 18e-12, 1200e-12),
        ("scale", "inductance scale at 1 mH", "H", 1.0213e-3, 1.00021e-3, 15e-6, 1e-3),
    ):
        group = "timebase" if name == "timebase" else "adjustment"
        for stage, value in (("as_found", found), ("as_left", left)):
            made.append(
                reading(f"{name}.{stage}", value, unit, title=f"{title} {stage.replace('_', ' ')}", group=group,
                        lower=place - half * (3 if stage == "as_found" else 1),
                        upper=place + half * (3 if stage == "as_found" else 1),
                        nominal=place or None, expanded_uncertainty=half * 0.06, coverage_factor=2.0)
            )  # fmt: skip
    for name, value, unit, lower, upper in (
        ("f1", 611_234.0, "Hz", 560e3, 660e3), ("f2", 367_810.0, "Hz", 330e3, 400e3),
        ("c1", 693.2e-12, "F", 646e-12, 745e-12),
        ("l1", 97.6e-6, "H", 88.5e-6, 111.5e-6), ("k1_drive", 4.61, "V", 4.2, 5.1), ("k2_drive", 4.88, "V", 4.5, 5.1),
        ("comparator_average", 2.497, "V", 2.4, 2.6), ("repeatability_100p", 3.1e-15, "F", None, 20e-15),
        ("warm_up_drift", 8.4e-15, "F", None, 60e-15), ("zero_open", 1.7e-15, "F", -50e-15, 50e-15),
        ("zero_short", 1.1e-9, "H", -10e-9, 10e-9),
    ):  # fmt: skip
        made.append(
            reading(name, value, unit, title=name.replace("_", " "), group="oscillator", lower=lower, upper=upper)
        )
    made += [accuracy(value, "F", place, simulated) for place, value in enumerate(C_VALUES)]
    made += [accuracy(value, "H", place, simulated) for place, value in enumerate(L_VALUES)]
    for name, title in (
        ("key_1", "key 1"), ("key_2", "key 2"), ("keys_both", "both keys"), ("lamp_1", "lamp 1"), ("lamp_2", "lamp 2"),
        ("display", "display, text typed back"), ("over_range", "open inductance reads over range"),
        ("stored", "constants after power-off"),
    ):  # fmt: skip
        made.append(reading(name, True, "", title=title, group="controls", expected=True, hand_read=name == "display"))
    for text in ("999.9 pF", "1.000 nF", "999.9 nF", "1.000 µH", "999.9 µH", "1.000 mH"):
        made.append(reading(f"units_{text}", text, "", title=f"display near {text}", group="display", expected=text))
    return made


def make_run(
    *,
    simulated: bool = True,
    fail: tuple[str, ...] = (),
    stop_after: int | None = None,
    undecided: tuple[str, ...] = (),
    closed: bool = True,
) -> Run:
    """A run of one unit: passing, with failing rows, or ended early."""
    taken = [replace(one, simulated=simulated) for one in readings(simulated)]
    planned = tuple(one.name for one in taken)
    changed = []
    for one in taken[:stop_after]:
        if one.name in fail and isinstance(one.value, float):
            assert one.upper is not None
            value = one.upper + 0.8 * ((one.upper - one.lower) / 2 if one.lower is not None else one.upper)
            one = replace(one, value=value, verdict=Verdict.FAIL, reason="above the upper limit")
        elif one.name in fail:
            one = replace(one, value=False, verdict=Verdict.FAIL, reason="is no, expected yes")
        elif one.name in undecided:
            one = replace(one, verdict=Verdict.UNDECIDED, reason="within the guard band")
        changed.append(one)
    parts = [one for one in changed if one.parts]
    verdict = UnitVerdict.FAIL if fail else UnitVerdict.PASS
    reason = f"failed: {', '.join(fail)}" if fail else ""
    if stop_after is not None and not fail:
        verdict, reason = UnitVerdict.INCOMPLETE, "voltmeter at SIM0::voltmeter::INSTR: no answer. Check its cable."
    elif undecided and not fail:
        verdict, reason = UnitVerdict.INCOMPLETE, f"undecided: {', '.join(undecided)}"
    opened = RunOpened(
        run="20261125-043000-QM2-0042-a1b2c3", serial="QM2-0042", board="qm2", attempt=1, attempts_allowed=3,
        retest_reason="", scope="full", only="", planned=planned, outside_scope=(), limits_file="limits/qm2.toml",
        limits_revision="A", limits_sha256="5f" * 32, kit_file="fixtures/kits/demo.toml", bench="simulated",
        bench_file="fixtures/benches/simulated.toml", operator="R. Moss", lot="2026-11", simulated=simulated,
        seed=7 if simulated else None, faults=(), opened="2026-11-25T04:30:00.000+00:00", suite_version="0.1.0",
        instruments=tuple(
            InstrumentUsed(role=role, address=f"SIM0::{role}::INSTR",
                           identity=f"Hollin Bench,{role[:2].upper()}-1,00{i},1.0",
                           certificate=f"QI-E-000{i}", due="2027-06-30")
            for i, role in enumerate(("supply", "voltmeter", "counter", "generator", "selector", "thermometer"), 1)
        ),
        parts=tuple(
            PartUsed(name=one.parts[0], value=one.nominal or 0.0, unit=one.unit,
                     expanded_uncertainty=0.1 * (one.expanded_uncertainty or 0), certificate=f"QI-K-{210 + i:04d}",
                     due="2028-06-02")
            for i, one in enumerate(parts)
        ),
    )  # fmt: skip
    facts = (("firmware_version", "1.4.0"), ("image_sha256", "9c" * 32), ("temperature_degc", "23.1"))
    end = RunClosed(
        run=opened.run, verdict=verdict, reason=reason, closed="2026-11-25T04:33:20.000+00:00", planned=len(planned),
        judged=len(changed), facts=facts, actual_seconds=200.0,
    )  # fmt: skip
    return Run(opened=opened, readings=tuple(changed), closed=end if closed else None)


ISSUER = Issuer(
    maker="Quillmere Instruments",
    address="4 Millrace Lane, Quillmere",
    place="Quillmere, production bench",
    meter="QM-2",
    description="battery-powered inductance and capacitance meter",
    customer="the holder of the meter",
    method="comparison with reference parts and instruments; procedure tests/board of the program named here",
    specification="QM-2 specification",
    condition="new from assembly, complete, no damage noted",
    authorised_by="E. Thornbury, production",
)


REPORTS = Path(__file__).parents[3] / "reports"


@pytest.fixture(scope="session")
def run_of() -> Callable[..., Run]:
    """Makes runs: ``run_of(fail=("c_100p",))``."""
    return make_run


@pytest.fixture(scope="session")
def issuer() -> Issuer:
    """The invented maker."""
    return ISSUER


@pytest.fixture(scope="session")
def paper() -> Paper:
    """The shipped templates and fonts."""
    templates = {path.name: path.read_text(encoding="utf-8") for path in REPORTS.glob("*.typ")}
    return Paper(templates=templates, font_folder=str(REPORTS / "fonts"))


@pytest.fixture(scope="session")
def certificate_of() -> Callable[..., Certificate]:
    """Makes certificates of such runs."""

    def make(**how: object) -> Certificate:
        return build(make_run(**how), ISSUER, issued="2026-11-25")  # type: ignore[arg-type]

    return make
