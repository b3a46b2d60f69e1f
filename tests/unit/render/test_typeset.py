"""The certificate on paper: what stands on which page, and the same bytes again."""

import io
import re
from collections.abc import Callable
from dataclasses import replace

import pypdf
import pytest

from hil.core.issuer import Issuer
from hil.core.records import PartUsed, Run
from hil.render.certificate import Certificate, build
from hil.render.results import points
from hil.render.typeset import Paper, errors_svg, qr_svg, typeset

Make = Callable[..., Certificate]
MakeRun = Callable[..., Run]


def pages(pdf: bytes) -> list[str]:
    """Text of every page, with single spaces."""
    return [
        " ".join(page.extract_text().replace("\u00a0", " ").split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages
    ]


@pytest.fixture(scope="module")
def passing(certificate_of: Make, paper: Paper) -> list[str]:
    return pages(typeset(certificate_of(), paper))


def test_the_same_certificate_is_the_same_bytes(certificate_of: Make, paper: Paper) -> None:
    assert typeset(certificate_of(), paper) == typeset(certificate_of(), paper)


def test_it_is_archival_pdf_with_its_fonts_inside(certificate_of: Make, paper: Paper) -> None:
    pdf = typeset(certificate_of(), paper)
    metadata = pypdf.PdfReader(io.BytesIO(pdf)).xmp_metadata
    assert metadata is not None
    assert b"pdfaid:part>3<" in metadata.stream.get_data()
    assert b"pdfaid:conformance>B<" in metadata.stream.get_data()
    fonts = [
        font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        for page in pypdf.PdfReader(io.BytesIO(pdf)).pages
        for font in page["/Resources"]["/Font"].values()
    ]
    assert fonts
    assert all("/FontFile2" in font or "/FontFile3" in font for font in fonts)
    assert {re.sub(r"^/\w+\+", "", font["/FontName"]) for font in fonts} == {
        "Roboto-Regular", "Roboto-Bold", "RobotoCondensed-Regular", "RobotoCondensed-Bold",
    }  # fmt: skip


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"fail": ("c_100p", "rail_5v_7", "key_1", "l_4m7")},
        {"stop_after": 60},
        {"stop_after": 0},
        {"stop_after": 5, "closed": False},
        {"undecided": ("c_1n", "l_1m")},
        {"simulated": False},
    ],
)
def test_two_pages_identified_and_ended(certificate_of: Make, paper: Paper, how: dict[str, object]) -> None:
    certificate = certificate_of(**how)
    found = pages(typeset(certificate, paper))
    assert len(found) == 2
    for number, text in enumerate(found, 1):
        assert f"Page {number} of 2" in text
        assert text.count(certificate.number) >= 2
    assert f"End of certificate {certificate.number}" in found[1]
    assert "End of certificate" not in found[0]
    assert f"{certificate.verdict}" in found[0]


def many(run: Run, copies: int) -> Run:
    """The same unit with more rows."""
    more = tuple(
        replace(reading, name=f"{reading.name}_{copy}") for copy in range(copies) for reading in run.readings[3:70]
    )
    readings = (*run.readings, *more)
    return replace(
        run, readings=readings, opened=replace(run.opened, planned=tuple(reading.name for reading in readings))
    )


def test_a_hundred_and_sixty_rows_still_stand_on_two_pages(run_of: MakeRun, issuer: Issuer, paper: Paper) -> None:
    run = many(run_of(fail=("c_100p",)), 1)
    assert len(run.readings) > 155
    assert len(pages(typeset(build(run, issuer, issued="2026-11-25"), paper))) == 2


def test_more_rows_than_two_pages_hold_are_not_lost(run_of: MakeRun, issuer: Issuer, paper: Paper) -> None:
    run = many(run_of(), 6)
    found = pages(typeset(build(run, issuer, issued="2026-11-25"), paper))
    assert len(found) > 2
    assert "".join(found).count("battery reading at 8.4 V") == 7
    assert f"Page {len(found)} of {len(found)}" in found[-1]


def test_every_result_stands_on_the_page(certificate_of: Make, passing: list[str]) -> None:
    for result in certificate_of().results:
        assert result.shown_value in passing[1]
        if result.expected is None:
            assert all(word in passing[1] for word in result.shown_limits.split()), result.name
        if result.shown_uncertainty:
            assert f"± {result.shown_uncertainty} {result.shown_unit}".rstrip() in passing[1]


def test_coverage_factors_that_differ_stand_beside_their_results(
    passing: list[str], run_of: MakeRun, issuer: Issuer, paper: Paper
) -> None:
    assert "with the coverage factor k of its row" in passing[0]
    assert (passing[1].count("2.26"), passing[1].count("2.00 ") > 20) == (7, True)
    run = run_of()
    same = replace(run, readings=tuple(replace(one, coverage_factor=2.0) for one in run.readings))
    found = pages(typeset(build(same, issuer, issued="2026-11-25"), paper))
    assert "with k = 2.00, for a coverage of about 95 %" in found[0]
    assert "2.00 pass" not in found[1]


def test_simulated_cannot_be_cropped_away(passing: list[str]) -> None:
    for text in passing:
        assert text.count("SIMULATED") >= 8  # across the page, in header and footer, in captions and headings
    assert passing[0].count("SIMULATED") >= 14  # in the title, the statements and across both plots too


def test_a_real_run_never_says_simulated(certificate_of: Make, paper: Paper) -> None:
    assert all("SIMULATED" not in text for text in pages(typeset(certificate_of(simulated=False), paper)))


def test_failing_and_missing_rows_are_loud(certificate_of: Make, paper: Paper) -> None:
    failing = pages(typeset(certificate_of(fail=("c_100p", "key_1")), paper))
    assert failing[1].count("FAIL") == 2
    assert "no, expected yes" in failing[1]
    partly = pages(typeset(certificate_of(stop_after=60), paper))
    assert partly[1].count("not measured") == 32
    assert "not measured" in partly[0]  # the plot of inductances


def test_it_is_plain_which_part_adjusts(run_of: MakeRun, issuer: Issuer, paper: Paper) -> None:
    run = run_of()
    part = PartUsed(
        name="c_1n_adjust", value=1e-9, unit="F", expanded_uncertainty=1e-12, certificate="QI-K-0246", due="2027-05-14",
        use="adjust",
    )  # fmt: skip
    readings = (replace(run.readings[0], parts=(part.name,)), *run.readings[1:])
    run = replace(run, opened=replace(run.opened, parts=(*run.opened.parts, part)), readings=readings)
    assert "c_1n_adjust 1.0000 nF *" in pages(typeset(build(run, issuer, issued="2026-11-25"), paper))[0]


def test_markup_in_the_data_is_text(run_of: MakeRun, issuer: Issuer, paper: Paper) -> None:
    run = run_of()
    trick = "#panic() *x* $y$ <z> \\ \" '"
    run = replace(
        run,
        opened=replace(run.opened, operator=trick),
        readings=(replace(run.readings[0], title=trick), *run.readings[1:]),
    )
    found = pages(typeset(build(run, issuer, issued="2026-11-25"), paper))
    assert "#panic() *x* $y$ <z>" in found[0]
    assert "#panic()" in found[1]


def test_the_plot_is_the_same_bytes_and_says_simulated(run_of: MakeRun, paper: Paper) -> None:
    drawn = points(run_of())
    once = errors_svg(drawn, paper, simulated=True)
    assert once == errors_svg(drawn, paper, simulated=True)
    assert once.startswith("<svg")
    assert len(once) > len(errors_svg(drawn, paper, simulated=False))


def test_the_plot_draws_nothing_from_nothing(paper: Paper) -> None:
    assert errors_svg((), paper, simulated=False).startswith("<svg")


def test_the_qr_code_is_an_svg_without_a_border() -> None:
    assert qr_svg("SIM-1 PASS").startswith("<svg")
    assert qr_svg("SIM-1 PASS") == qr_svg("SIM-1 PASS")
