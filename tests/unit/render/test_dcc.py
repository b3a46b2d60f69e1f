"""The Digital Calibration Certificate, against its schemas (in ../shared/dcc beside the repository)."""

from collections.abc import Callable
from pathlib import Path

import pytest
from lxml import etree

from hil.core.issuer import Issuer
from hil.core.records import Run
from hil.render.certificate import Certificate, Predecessor, build
from hil.render.dcc import DCC, SI, dcc_xml

SCHEMAS = Path(__file__).parents[4] / "shared" / "dcc"
NAMES = {"dcc": DCC, "si": SI}
Make = Callable[..., Certificate]


class Beside(etree.Resolver):
    """Finds imported schemas by their name beside the first one, whatever address they are imported from."""

    def resolve(self, system_url: str, public_id: str, context: object) -> object:
        path = SCHEMAS / system_url.rsplit("/", 1)[-1]
        return self.resolve_filename(str(path), context)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def schema() -> etree.XMLSchema:
    assert SCHEMAS.is_dir(), f"the schemas are needed in {SCHEMAS}: dcc.xsd, SI_Format.xsd and what they import"
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(Beside())
    return etree.XMLSchema(etree.parse(str(SCHEMAS / "dcc.xsd"), parser))


def tree_of(certificate: Certificate) -> etree._Element:
    return etree.fromstring(dcc_xml(certificate))


def texts(tree: etree._Element, path: str) -> list[str]:
    return [str(found.text) for found in tree.findall(path, NAMES)]


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"fail": ("c_100p", "key_1")},
        {"undecided": ("c_1n",)},
        {"stop_after": 60},
        {"stop_after": 0, "closed": False},
        {"simulated": False},
    ],
)
def test_it_is_valid(schema: etree.XMLSchema, certificate_of: Make, how: dict[str, object]) -> None:
    schema.assertValid(tree_of(certificate_of(**how)))


def test_an_amendment_is_valid_and_names_what_it_replaces(
    schema: etree.XMLSchema, run_of: Callable[..., Run], issuer: Issuer
) -> None:
    first = build(run_of(), issuer, issued="2026-11-25")
    before = Predecessor(number=first.number, data_sha256=first.data_sha256, reason="the address  was wrong")
    tree = tree_of(build(run_of(), issuer, issued="2026-11-26", predecessor=before, amendment=1))
    schema.assertValid(tree)
    assert texts(tree, ".//dcc:replacedUniqueIdentifier") == [first.number]
    assert texts(tree, ".//dcc:previousReport/dcc:value") == [first.data_sha256]


def test_the_schema_refuses_what_is_wrong(schema: etree.XMLSchema, certificate_of: Make) -> None:
    tree = tree_of(certificate_of())
    core = tree.find(".//dcc:coreData", NAMES)
    assert core is not None
    core.remove(core.find("dcc:uniqueIdentifier", NAMES))
    assert not schema.validate(tree)


def test_it_says_the_same_as_the_page(certificate_of: Make) -> None:
    certificate = certificate_of()
    tree = tree_of(certificate)
    assert texts(tree, ".//dcc:uniqueIdentifier") == [certificate.number]
    results = tree.findall(".//dcc:result", NAMES)
    assert len(results) == len(certificate.results)
    by_name = {texts(one, "dcc:description/dcc:content")[0].split(",")[0]: one for one in results}
    c_100p = by_name["c_100p"]
    value, reference, lower, upper = (float(text) for text in texts(c_100p, ".//si:value"))
    assert (value, reference, lower, upper) == (99.50e-12, 100e-12, 98.7e-12, 101.3e-12)
    assert texts(c_100p, ".//si:unit")[0] == "\\farad"
    assert float(texts(c_100p, ".//si:valueExpandedMU")[0]) == 0.23e-12
    assert texts(c_100p, ".//si:coverageFactor") == ["2.00"]
    assert texts(c_100p, ".//dcc:conformity") == ["pass"]


def test_what_failed_does_not_conform(certificate_of: Make) -> None:
    tree = tree_of(certificate_of(fail=("c_100p",)))
    assert texts(tree, "dcc:administrativeData//dcc:conformity") == ["fail"]
    assert texts(tree, "dcc:measurementResults//dcc:conformity").count("fail") == 1


def test_an_incomplete_run_makes_no_statement(certificate_of: Make) -> None:
    assert texts(tree_of(certificate_of(stop_after=60)), "dcc:administrativeData//dcc:conformity") == []


def test_as_found_is_before_and_as_left_after_adjustment(certificate_of: Make) -> None:
    status = texts(tree_of(certificate_of()), ".//dcc:status")
    assert (status.count("beforeAdjustment"), status.count("afterAdjustment")) == (3, 3)


def test_simulated_stands_everywhere(certificate_of: Make) -> None:
    tree = tree_of(certificate_of())
    names = texts(tree, ".//dcc:result/dcc:name/dcc:content") + texts(
        tree, ".//dcc:measurementResult/dcc:name/dcc:content"
    )
    assert names
    assert all(name.startswith("SIMULATED ") for name in names)
    assert set(texts(tree, ".//dcc:traceable")) == {"false"}
    assert b"SIMULATED" not in dcc_xml(certificate_of(simulated=False))


def test_the_same_certificate_is_the_same_bytes(certificate_of: Make) -> None:
    assert dcc_xml(certificate_of()) == dcc_xml(certificate_of())
