"""A certificate as Digital Calibration Certificate, XML of schema version 3.3.0.

The schema is that of the Physikalisch-Technische Bundesanstalt; quantities follow the Digital System of Units (D-SI)
2.2.1. Every result carries value and uncertainty as rounded on the certificate - the XML says the same as the page -
and, where there is one, its statement of conformity. A result that is no number is text. SIMULATED stands in the
identifier, in a statement, and in the name of every result.
"""

from collections.abc import Iterator
from decimal import Decimal

from lxml import etree as ET

from hil.core.records import UnitVerdict, Verdict
from hil.core.rounding import round_value
from hil.render.certificate import Certificate, Equipment
from hil.render.results import Result

VERSION = "3.3.0"
DCC, SI = "https://ptb.de/dcc", "https://ptb.de/si"
_UNITS = {
    "F": "\\farad", "H": "\\henry", "Hz": "\\hertz", "V": "\\volt", "A": "\\ampere", "ohm": "\\ohm", "s": "\\second",
    "degC": "\\degreecelsius", "K": "\\kelvin", "W": "\\watt", "S": "\\siemens",
    "B": "\\byte", "Bd": "\\second\\tothe{-1}",
    "1/K": "\\kelvin\\tothe{-1}", "F/a": "\\farad\\year\\tothe{-1}", "": "\\one",
}  # fmt: skip
_CONFORMITY = {Verdict.PASS: "pass", Verdict.FAIL: "fail"}
_FOUR_WAY = {"conditional pass": "conditionalPass", "conditional fail": "conditionalFail"}
_STATUS = {"as found": "beforeAdjustment", "as left": "afterAdjustment"}
_COVERAGE_PROBABILITY = "0.95"


def dcc_xml(certificate: Certificate) -> bytes:
    """The certificate as XML, UTF-8."""
    root = ET.Element(_dcc("digitalCalibrationCertificate"), {"schemaVersion": VERSION}, nsmap={"dcc": DCC, "si": SI})
    _administrative(_sub(root, "administrativeData"), certificate)
    _measurements(_sub(root, "measurementResults"), certificate)
    ET.indent(root)
    content: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def _administrative(parent: ET._Element, c: Certificate) -> None:
    lines = {line.label: line.text for line in (*c.item, *c.conditions)}
    software = _sub(_sub(parent, "dccSoftware"), "software")
    _text(_sub(software, "name"), "hil")
    _sub(software, "release", c.suite_version)
    core = _sub(parent, "coreData")
    _sub(core, "countryCodeISO3166_1", c.country)
    _sub(core, "usedLangCodeISO639_1", "en")
    _sub(core, "mandatoryLangCodeISO639_1", "en")
    _sub(core, "uniqueIdentifier", c.number)
    known = _sub(core, "identifications")
    _identification(known, "calibrationLaboratory", c.run, "run")
    _identification(known, "other", c.data_sha256, "SHA-256 of the data")
    _sub(core, "beginPerformanceDate", c.performed[0][:10])
    _sub(core, "endPerformanceDate", c.performed[1][:10])
    _sub(core, "performanceLocation", "laboratory")
    _sub(core, "issueDate", c.issued)
    if c.predecessor is not None:
        change = _sub(core, "reportAmendedSubstituted")
        _sub(change, "typeOfChange", "substituted")
        _sub(change, "replacedUniqueIdentifier", c.predecessor.number)
        before = _sub(core, "previousReport")
        _text(_sub(before, "referral"), c.predecessor.reason)
        _sub(before, "referralID", c.predecessor.number)
        _sub(before, "procedure", "SHA-256 over the canonical JSON of the data of the certificate")
        _sub(before, "value", c.predecessor.data_sha256)
    item = _sub(_sub(parent, "items"), "item")
    _text(_sub(item, "name"), lines["Item"])
    _text(_sub(item, "description"), f"Condition: {lines['Condition']}. Image SHA-256: {lines['Image SHA-256']}.")
    firmware = _sub(_sub(item, "installedSoftwares"), "software")
    _text(_sub(firmware, "name"), "firmware")
    _sub(firmware, "release", lines["Firmware"])
    _sub(firmware, "type", "firmware")
    _text(_sub(_sub(item, "manufacturer"), "name"), c.maker)
    _identification(_sub(item, "identifications"), "manufacturer", c.serial, "serial number")
    contact = _sub(_sub(parent, "calibrationLaboratory"), "contact")
    _text(_sub(contact, "name"), c.maker)
    _text(_sub(_sub(contact, "location"), "further"), c.address)
    people = _sub(parent, "respPersons")
    authorised, performed = (c.authorised_by, "authorised for issue"), (c.performed_by, "performed")
    for name, role in (authorised, performed):
        if name.strip():
            person = _sub(people, "respPerson")
            _text(_sub(_sub(person, "person"), "name"), name)
            _sub(person, "role", role)
            _sub(person, "mainSigner", "true" if role == authorised[1] else "false")
    customer = _sub(parent, "customer")
    _text(_sub(customer, "name"), lines["Customer"])
    _text(_sub(_sub(customer, "location"), "further"), "not recorded")
    _statements(_sub(parent, "statements"), c)


def _statements(parent: ET._Element, c: Certificate) -> None:
    for section in c.statements:
        statement = _sub(parent, "statement")
        _text(_sub(statement, "name"), section.heading)
        if section.key == "traceability":
            _sub(statement, "traceable", "false" if c.simulated else "true")
        _text(_sub(statement, "declaration"), section.text)
        if section.key == "conformity" and c.verdict is not UnitVerdict.INCOMPLETE:
            _sub(statement, "conformity", "pass" if c.verdict is UnitVerdict.PASS else "fail")


def _measurements(parent: ET._Element, c: Certificate) -> None:
    lines = {line.label: line.text for line in c.conditions}
    methods = _sub(parent, "usedMethods")
    for name, text in (("method", lines["Method"]), ("specification", lines["Specification"])):
        method = _sub(methods, "usedMethod")
        _text(_sub(method, "name"), name)
        _text(_sub(method, "description"), text)
    if c.instruments or c.parts:
        equipments = _sub(parent, "measuringEquipments")
        for one in (*c.instruments, *c.parts):
            _equipment(_sub(equipments, "measuringEquipment"), one, c)
    condition = _sub(_sub(parent, "influenceConditions"), "influenceCondition")
    _text(_sub(condition, "name"), "environment")
    _text(_sub(_sub(condition, "data"), "text"), lines["Environment"])
    for group in c.groups:
        measured = _sub(parent, "measurementResult")
        _text(_sub(measured, "name"), f"{'SIMULATED ' if c.simulated else ''}{group.title}")
        results = _sub(measured, "results")
        for result in group.results:
            _result(_sub(results, "result"), result)
    if not c.groups:  # the schema wants one: a run that ended before its first reading
        measured = _sub(parent, "measurementResult")
        _text(_sub(measured, "name"), "nothing was measured")
        empty = _sub(_sub(measured, "results"), "result")
        _text(_sub(empty, "name"), "nothing was measured")
        _text(_sub(_sub(empty, "data"), "text"), "nothing was measured")


def _equipment(parent: ET._Element, one: Equipment, c: Certificate) -> None:
    _text(_sub(parent, "name"), f"{one.name} {one.what}".strip())
    if one.certificate:
        used = _sub(parent, "certificate")
        _text(
            _sub(used, "referral"), f"calibration certificate, due {one.due}" if one.due else "calibration certificate"
        )
        _sub(used, "referralID", one.certificate)
        _sub(used, "procedure", "none")
        _sub(used, "value", "none")
        _sub(used, "traceable", "false" if c.simulated else "true")
    _identification(_sub(parent, "identifications"), "calibrationLaboratory", one.name, "name on the bench")


def _result(parent: ET._Element, result: Result) -> None:
    mark = "SIMULATED " if result.simulated else ""
    _text(_sub(parent, "name"), f"{mark}{result.title}")
    words = [result.name, f"verdict {result.verdict.value}"]
    words += [result.stage] if result.stage else []
    words += [f"limits {result.shown_limits} {result.shown_unit}".rstrip()] if result.shown_limits else []
    words += ["read by hand"] if result.hand_read else []
    _text(_sub(parent, "description"), ", ".join(words))
    data = _sub(parent, "data")
    number = result.value
    if isinstance(number, bool) or not isinstance(number, (int, float)):
        _text(_sub(data, "text"), result.shown_value)
        return
    values = _sub(data, "list")
    for name, value in _numbers(result, float(number)):
        quantity = _sub(values, "quantity")
        _text(_sub(quantity, "name"), name)
        exact = name == "value"
        _real(quantity, result, value, with_uncertainty=exact)
        if exact:
            _metadata(quantity, result)


def _numbers(result: Result, value: float) -> Iterator[tuple[str, Decimal]]:
    """The value as on the page, and what it is compared with."""
    if result.expanded_uncertainty:
        yield "value", round_value(value, result.expanded_uncertainty)[0]
    else:
        yield "value", Decimal(f"{value:.4e}")
    compared = {"reference value": result.reference, "lower limit": result.lower, "upper limit": result.upper}
    for name, given in compared.items():
        if given is not None:
            yield name, Decimal(repr(float(given)))


def _real(parent: ET._Element, result: Result, value: Decimal, *, with_uncertainty: bool) -> None:
    real = ET.SubElement(parent, _si("real"))
    ET.SubElement(real, _si("value")).text = f"{value:E}"
    ET.SubElement(real, _si("unit")).text = _UNITS[result.unit]
    if with_uncertainty and result.expanded_uncertainty and result.coverage_factor:
        _, uncertainty = round_value(float(result.value or 0.0), result.expanded_uncertainty)
        expanded = ET.SubElement(ET.SubElement(real, _si("measurementUncertaintyUnivariate")), _si("expandedMU"))
        ET.SubElement(expanded, _si("valueExpandedMU")).text = f"{uncertainty:E}"
        ET.SubElement(expanded, _si("coverageFactor")).text = f"{result.coverage_factor:.2f}"
        ET.SubElement(expanded, _si("coverageProbability")).text = _COVERAGE_PROBABILITY


def _metadata(quantity: ET._Element, result: Result) -> None:
    conformity = _FOUR_WAY.get(result.statement) or _CONFORMITY.get(result.verdict)
    status = _STATUS.get(result.stage)
    if status is not None:
        condition = _sub(_sub(quantity, "influenceConditions"), "influenceCondition")
        _text(_sub(condition, "name"), result.stage)
        _sub(condition, "status", status)
        _text(_sub(_sub(condition, "data"), "text"), result.stage)
    if conformity is not None:
        meta = _sub(_sub(quantity, "measurementMetaData"), "metaData")
        _text(_sub(meta, "name"), "conformity")
        _text(_sub(meta, "declaration"), f"decision rule: {result.rule.replace('_', ' ')}")
        _sub(meta, "conformity", conformity)


def _identification(parent: ET._Element, issuer: str, value: str, name: str) -> None:
    one = _sub(parent, "identification")
    _sub(one, "issuer", issuer)
    _sub(one, "value", value)
    _text(_sub(one, "name"), name)


def _sub(parent: ET._Element, name: str, text: str | None = None) -> ET._Element:
    made = ET.SubElement(parent, _dcc(name))
    if text is not None:
        made.text = " ".join(text.split()) or "none"  # the schema wants texts that are not empty, single-spaced
    return made


def _text(parent: ET._Element, text: str) -> None:
    _sub(parent, "content", text).set("lang", "en")


def _dcc(name: str) -> str:
    return f"{{{DCC}}}{name}"


def _si(name: str) -> str:
    return f"{{{SI}}}{name}"
