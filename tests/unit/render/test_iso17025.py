"""The list of ISO/IEC 17025:2017 clause 7.8, item by item, with the page where each stands and the words that say it.

The letters of 7.8.2.1 were read in a secondary list; item k, 7.1.3, 7.8.4.3 and 7.8.6 are from memory.
"""

import io
import re
from collections.abc import Callable

import pypdf
import pytest

from hil.core.issuer import Issuer
from hil.core.records import Run
from hil.render.certificate import Certificate, Predecessor, build
from hil.render.typeset import Paper, typeset

BOTH = (1, 2)
# (clause, what it asks for, pages, pattern)
CONTENT: tuple[tuple[str, str, tuple[int, ...], str], ...] = (
    ("7.8.2.1 a", "a title", (1,), r"Test and calibration certificate"),
    ("7.8.2.1 b", "name and address of the laboratory", (1,), r"Quillmere Instruments · 4 Millrace Lane, Quillmere"),
    ("7.8.2.1 c", "place of the activity", (1,), r"Place Quillmere, production bench"),
    ("7.8.2.1 d", "unique identification on every page", BOTH, r"Certificate 20261125-043000-QM2-0042-a1b2c3"),
    ("7.8.2.1 d", "page and number of pages", BOTH, r"Page [12] of 2"),
    ("7.8.2.1 d", "a clear end", (2,), r"End of certificate 20261125-043000-QM2-0042-a1b2c3"),
    ("7.8.2.1 e", "the customer", (1,), r"Customer the holder of the meter"),
    ("7.8.2.1 f", "the method", (1,), r"Method comparison with reference parts and instruments"),
    ("7.8.2.1 g", "the item, unambiguous", (1,), r"Serial number QM2-0042"),
    ("7.8.2.1 g", "its condition", (1,), r"Condition new from assembly, complete, no damage noted"),
    ("7.8.2.1 h", "receipt of the item", (1,), r"Received from the maker's own assembly"),
    ("7.8.2.1 i", "dates performed", (1,), r"Performed 2026-11-25 04:30 UTC to 2026-11-25 04:33 UTC"),
    ("7.8.2.1 j", "date of issue", (1,), r"issued 2026-11-25"),
    ("7.8.2.1 k", "sampling", (1,), r"nothing was sampled"),
    ("7.8.2.1 l", "relates only to the item", (1,), r"The results relate only to the item with serial number QM2-0042"),
    ("7.8.2.1 m", "results with units", (2,), r"98\.7 … 101\.3 \S+ ± \S+ pF"),
    ("7.8.2.1 n", "additions, deviations, exclusions", (1,), r"Deviations and remarks\. Read by hand: display\."),
    ("7.8.2.1 n", "what lay outside the scope", (1,), r"Outside the scope\. Scope full leaves no limit"),
    ("7.8.2.1 o", "who authorised it", (1,), r"Authorised for issue by E\. Thornbury, production"),
    ("7.8.2.1 p", "results of external providers", (1,), r"No result comes from an external provider"),
    ("7.8.2.2", "data of the customer", (1,), r"no data from the customer"),
    ("7.8.4.1 a", "uncertainty in the unit of the measurand", (2,), r"± 0\.0012 V"),
    (
        "7.8.4.1 a",
        "what U and k mean",
        (1,),
        r"U is the expanded uncertainty .* with the coverage factor k of its row, .* about 95 %",
    ),
    ("7.8.4.1 b", "conditions", (1,), r"Environment 23\.1 °C at the jig, humidity not measured"),
    ("7.8.4.1 c", "traceability", (1,), r"traceable to the SI through the calibration certificates listed"),
    ("7.8.4.1 c", "certificates and due dates", (1,), r"voltmeter VO-1, serial number 002 QI-E-0002 2027-06-30"),
    ("7.8.4.1 d", "before and after adjustment", (1,), r"Ccal 1\.146 … 1\.254 1\.2034 .* 1\.1968"),
    ("7.8.4.1 e", "statement of conformity", (1,), r"Statement of conformity\. All 92 planned results meet"),
    ("7.8.4.1 f", "opinions", (1,), r"No opinion is given"),
    ("7.8.4.3", "no recommended interval", (1,), r"no interval for recalibration recommended"),
    (
        "7.1.3",
        "the rule belongs to the specification",
        (1,),
        r"The limits file, part of the specification, names the rule",
    ),
    ("7.8.6.1", "the decision rule and its risk", (1,), r"Guarded acceptance .* w = 1\.00 U; .* at most 2\.5 %"),
    ("7.8.6.1", "the risk of simple acceptance", (1,), r"Simple acceptance .* up to 50 %"),
    ("7.8.6.2", "to which results it applies", (1,), r"The statement applies to the results as left listed here"),
    ("7.8.6.2", "which specification", (1,), r"meet QM-2 specification \(limits/ ?qm2\.toml revision A, scope full\)"),
    ("7.8.6.2", "which rule", (1,), r"by the decision rule below"),
)
ADDED = (  # what the maker promises beyond the list
    ("firmware", (1,), r"Firmware 1\.4\.0"),
    ("image hash", (1,), r"Image SHA-256 (?:9c){32}"),
    ("attempt", (1,), r"Attempt 1 of 3"),
    ("rounding", (1,), r"U is rounded up to two significant digits"),
    ("no accreditation", (1,), r"no accreditation is claimed"),
)
AMENDMENT = (
    ("7.8.8", "its own identity", BOTH, r"Certificate 20261125-043000-QM2-0042-a1b2c3-A1"),
    ("7.8.8", "what it replaces", (1,), r"This certificate replaces 20261125-043000-QM2-0042-a1b2c3 \("),
    ("7.8.8", "why", (1,), r"Reason: the address was wrong\."),
)


def text_of(certificate: Certificate, paper: Paper) -> list[str]:
    reader = pypdf.PdfReader(io.BytesIO(typeset(certificate, paper)))
    return [" ".join(page.extract_text().replace("\u00a0", " ").split()) for page in reader.pages]


@pytest.fixture(scope="module")
def text(certificate_of: Callable[..., Certificate], paper: Paper) -> list[str]:
    return text_of(certificate_of(simulated=False), paper)


@pytest.mark.parametrize(("clause", "what", "where", "pattern"), CONTENT, ids=[f"{row[0]} {row[1]}" for row in CONTENT])
def test_the_content_of_the_list(text: list[str], clause: str, what: str, where: tuple[int, ...], pattern: str) -> None:
    for page in where:
        assert re.search(pattern, text[page - 1]), f"{clause}: {what} is not on page {page}"


@pytest.mark.parametrize(("what", "where", "pattern"), ADDED, ids=[row[0] for row in ADDED])
def test_what_is_promised_beyond_the_list(text: list[str], what: str, where: tuple[int, ...], pattern: str) -> None:
    for page in where:
        assert re.search(pattern, text[page - 1]), f"{what} is not on page {page}"


def test_an_amendment_is_one(run_of: Callable[..., Run], issuer: Issuer, paper: Paper) -> None:
    first = build(run_of(simulated=False), issuer, issued="2026-11-25")
    before = Predecessor(number=first.number, data_sha256=first.data_sha256, reason="the address was wrong")
    second = build(run_of(simulated=False), issuer, issued="2026-11-26", predecessor=before, amendment=1)
    text = text_of(second, paper)
    for clause, what, where, pattern in AMENDMENT:
        for page in where:
            assert re.search(pattern, text[page - 1]), f"{clause}: {what} is not on page {page}"
