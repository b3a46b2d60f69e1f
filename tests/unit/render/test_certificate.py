"""The certificate as data."""

import json
from collections.abc import Callable
from dataclasses import replace

import pytest

from hil.core.issuer import Issuer
from hil.core.records import PartUsed, Run, UnitVerdict, Verdict
from hil.render.certificate import Certificate, Predecessor, build, hash_of, number_of
from hil.render.results import result_of

Make = Callable[..., Certificate]
MakeRun = Callable[..., Run]


def section(certificate: Certificate, key: str) -> str:
    return next(one.text for one in certificate.statements if one.key == key)


def test_the_same_run_gives_the_same_data(certificate_of: Make) -> None:
    assert certificate_of() == certificate_of()
    assert certificate_of().data_sha256 == hash_of(certificate_of())


def test_the_hash_sees_every_change(certificate_of: Make, run_of: MakeRun, issuer: Issuer) -> None:
    before = certificate_of()
    run = run_of()
    changed = replace(run, readings=(replace(run.readings[0], value=0.13), *run.readings[1:]))
    assert build(changed, issuer, issued="2026-11-25").data_sha256 != before.data_sha256
    assert build(run, issuer, issued="2026-11-26").data_sha256 != before.data_sha256
    assert build(run, replace(issuer, place="elsewhere"), issued="2026-11-25").data_sha256 != before.data_sha256


def test_json_has_only_finite_numbers_and_comes_back(certificate_of: Make) -> None:
    text = json.dumps(certificate_of().as_json(), allow_nan=False)
    assert json.loads(text)["number"] == certificate_of().number


def test_numbers_name_the_run_and_say_simulated_and_amended() -> None:
    assert number_of("20261125-1", simulated=False) == "20261125-1"
    assert number_of("20261125-1", simulated=True) == "SIM-20261125-1"
    assert number_of("20261125-1", simulated=True, amendment=2) == "SIM-20261125-1-A2"


def test_the_seal_says_number_verdict_simulated_and_hash(certificate_of: Make) -> None:
    certificate = certificate_of()
    assert certificate.seal == f"{certificate.number} PASS SIMULATED sha256:{certificate.data_sha256}"
    assert "SIMULATED" not in certificate_of(simulated=False).seal


def test_a_passing_unit_conforms(certificate_of: Make) -> None:
    certificate = certificate_of()
    assert certificate.verdict is UnitVerdict.PASS
    assert section(certificate, "conformity").startswith(
        "All 92 planned results meet QM-2 specification (limits/qm2.toml"
    )


def test_a_failing_unit_names_what_failed(certificate_of: Make) -> None:
    certificate = certificate_of(fail=("c_100p", "key_1"))
    assert certificate.failed == ("c_100p", "key_1")
    assert "2 of 92 planned results do not meet" in section(certificate, "conformity")
    assert "c_100p, key_1" in section(certificate, "conformity")
    assert dict(certificate.counts) == {"pass": 90, "fail": 2, "undecided": 0, "not_measured": 0}


def test_what_was_never_reached_stands_there_as_not_measured(certificate_of: Make) -> None:
    certificate = certificate_of(stop_after=60)
    assert certificate.verdict is UnitVerdict.INCOMPLETE
    assert len(certificate.missing) == 32
    assert len(certificate.results) == 92
    assert section(certificate, "missing").startswith("32 of 92 planned results: c_470n, c_1u")
    assert "No statement of conformity is made." in section(certificate, "conformity")
    assert "voltmeter at SIM0::voltmeter::INSTR: no answer." in section(certificate, "conformity")


def test_an_interrupted_run_says_so(certificate_of: Make) -> None:
    certificate = certificate_of(stop_after=3, closed=False)
    assert certificate.verdict is UnitVerdict.INCOMPLETE
    assert "the run was interrupted and never closed" in section(certificate, "conformity")
    assert any(line.text.endswith("interrupted") for line in certificate.conditions)


def test_undecided_results_make_no_statement(certificate_of: Make) -> None:
    certificate = certificate_of(undecided=("c_1n",))
    assert certificate.undecided == ("c_1n",)
    assert "1 are undecided" in section(certificate, "conformity")
    assert "a result is undecided (ILAC-G8:09/2019, 4.2.3)" in section(certificate, "rule")


def test_adjustments_pair_found_with_left(certificate_of: Make) -> None:
    pairs = {one.title: (one.as_found.shown_value, one.as_left and one.as_left.shown_value)
             for one in certificate_of().adjustments}  # fmt: skip
    assert pairs["Ccal"] == ("1.2034", "1.1968")
    assert pairs["timebase against reference"] == ("31.2", "−4.4")


def test_the_guard_bands_are_told_in_multiples_of_u(certificate_of: Make) -> None:
    assert "w = 1.00 U" in section(certificate_of(), "rule")


def test_diagnosis_is_no_part_of_it(certificate_of: Make) -> None:
    text = json.dumps(certificate_of(fail=("c_100p",)).as_json())
    assert "diagnos" not in text
    assert "likely" not in text


def test_no_accreditation_is_claimed(certificate_of: Make) -> None:
    assert "no accreditation is claimed" in section(certificate_of(), "validity")


def with_parts(run: Run, *parts: PartUsed) -> Run:
    """The first reading rests on these parts alone."""
    readings = (replace(run.readings[0], parts=tuple(part.name for part in parts)), *run.readings[1:])
    return replace(run, opened=replace(run.opened, parts=(*run.opened.parts, *parts)), readings=readings)


def test_an_overdue_part_is_called_overdue(run_of: MakeRun, issuer: Issuer) -> None:
    late = PartUsed(
        name="c_7p", value=7e-12, unit="F", expanded_uncertainty=1e-14, certificate="QI-K-7", due="2026-11-24"
    )
    text = section(build(with_parts(run_of(simulated=False), late), issuer, issued="2026-11-25"), "traceability")
    assert "CAUTION: overdue on 2026-11-25: c_7p." in text
    in_time = replace(late, due="2026-11-25")
    text = section(build(with_parts(run_of(simulated=False), in_time), issuer, issued="2026-11-25"), "traceability")
    assert "All of them were in date on 2026-11-25." in text


def test_only_what_was_used_is_listed(run_of: MakeRun, issuer: Issuer) -> None:
    run = run_of(stop_after=4)  # before any part was fitted
    certificate = build(run, issuer, issued="2026-11-25")
    assert [one.name for one in certificate.instruments] == ["voltmeter"]
    assert certificate.parts == ()
    assert len(build(run_of(), issuer, issued="2026-11-25").parts) == len(run_of().opened.parts)


def test_what_was_not_adjusted_is_not_said_to_be(run_of: MakeRun, issuer: Issuer) -> None:
    def said(*lost: str) -> str:
        run = run_of()
        readings = tuple(
            replace(one, value=None, verdict=Verdict.NOT_MEASURED, reason="self_test failed")
            if one.name in lost
            else one
            for one in run.readings
        )
        return section(build(replace(run, readings=readings), issuer, issued="2026-11-25"), "adjustment")

    names = [f"{what}.{stage}" for what in ("timebase", "ccal", "scale") for stage in ("as_found", "as_left")]
    assert said(*names) == "Nothing was adjusted."
    assert said("scale.as_left") == (
        "Adjusted in this run, with results as found and as left: timebase against reference; Ccal. Perhaps "
        "adjusted, without a result as left: inductance scale at 1 mH. No reference part used for adjusting was used "
        "for verifying. All other results are as left."
    )


def test_a_count_has_no_decimals(run_of: MakeRun) -> None:
    like = run_of().readings[0]
    count = replace(like, name="reload", value=-1.0, unit="", lower=-4.0, upper=4.0, expanded_uncertainty=None)
    assert result_of(count).shown_value == "−1"


def test_a_part_that_adjusts_and_verifies_is_called_out(run_of: MakeRun, issuer: Issuer) -> None:
    run = run_of()
    assert "No reference part used for adjusting was used for verifying." in section(
        build(run, issuer, issued="2026-11-25"), "adjustment"
    )
    adjusting = tuple(replace(part, use="adjust") if part.name == "c_1n" else part for part in run.opened.parts)
    certificate = build(replace(run, opened=replace(run.opened, parts=adjusting)), issuer, issued="2026-11-25")
    assert "CAUTION: used for adjusting and for verifying: c_1n." in section(certificate, "adjustment")


def test_simulated_is_never_traceable(certificate_of: Make) -> None:
    assert "nothing here is traceable to anything" in section(certificate_of(), "traceability")
    assert "through the calibration certificates listed" in section(certificate_of(simulated=False), "traceability")


def test_an_amendment_names_what_it_replaces_and_why(run_of: MakeRun, issuer: Issuer) -> None:
    first = build(run_of(), issuer, issued="2026-11-25")
    before = Predecessor(number=first.number, data_sha256=first.data_sha256, reason="wrong address")
    second = build(run_of(), issuer, issued="2026-12-01", predecessor=before, amendment=1)
    assert second.number == f"{first.number}-A1"
    assert f"replaces {first.number}" in section(second, "amendment")
    assert "Reason: wrong address." in section(second, "amendment")
    assert first.data_sha256 in section(second, "amendment")


@pytest.mark.parametrize(
    ("predecessor", "amendment", "says"),
    [
        (None, 1, "an amendment names the certificate it replaces"),
        (Predecessor(number="1", data_sha256="0", reason="x"), 0, "an amendment names the certificate it replaces"),
        (Predecessor(number="1", data_sha256="0", reason=" "), 1, "an amendment needs a reason"),
    ],
)
def test_half_an_amendment_is_refused(
    run_of: MakeRun, issuer: Issuer, predecessor: Predecessor | None, amendment: int, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        build(run_of(), issuer, issued="2026-11-25", predecessor=predecessor, amendment=amendment)


def test_points_are_readings_of_parts_as_left(certificate_of: Make) -> None:
    points = {point.name: point for point in certificate_of(fail=("c_100p",)).points}
    assert len(points) == 35  # 19 capacitors from 1 pF to 1 µF, 16 inductors from 1 µH to 100 mH
    assert points["c_100p"].verdict is Verdict.FAIL
    assert points["c_100p"].share > 1
    assert points["l_100m"].quantity == "inductance"
    assert "ccal.as_found" not in points
    assert points["c_1p"].accept_upper_share < 1
