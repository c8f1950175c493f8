"""Metadata of a job as ISO 19115:2003 in the XML of ISO/TS 19139:2007."""

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

#: By which a GeoPackage names the standard (OGC 12-128, gpkg_metadata.md_standard_uri).
STANDARD_URI = "http://www.isotc211.org/2005/gmd"
_SPACES = {
    "xmlns:gmd": STANDARD_URI,
    "xmlns:gco": "http://www.isotc211.org/2005/gco",
    "xmlns:gml": "http://www.opengis.net/gml",
}
_CODES = "http://standards.iso.org/iso/19139/resources/gmxCodelists.xml"


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step by which the data came about: when, in ISO 8601, and what was done."""

    time_utc: str
    words: str


@dataclass(frozen=True, kw_only=True)
class JobMetadata:
    """What there is to say of a job; empty where unknown.

    Attributes
    ----------
    title, abstract
        In words.
    contact, contact_email
        Who answers for the data.
    created_utc, changed_utc
        When the job was started and last changed, ISO 8601.
    walked_from_utc, walked_to_utc
        First and last record of the walk, ISO 8601.
    bounds
        West, south, east, north in degrees on WGS 84; empty if unknown.
    crs
        Code or name of the CRS.
    lineage
        How the data came about, in a sentence.
    steps
        The same step by step.
    """

    title: str
    abstract: str
    contact: str = ""
    contact_email: str = ""
    created_utc: str = ""
    changed_utc: str = ""
    walked_from_utc: str = ""
    walked_to_utc: str = ""
    bounds: Sequence[float] = ()
    crs: str = ""
    lineage: str = ""
    steps: Sequence[Step] = ()


def write_metadata(job: JobMetadata) -> str:
    """Metadata record as an XML document.

    Examples
    --------
    >>> "Sallow &lt;Yard&gt;" in write_metadata(JobMetadata(title="Sallow <Yard>", abstract="a"))
    True
    """
    root = ET.Element("gmd:MD_Metadata", _SPACES)
    _text(root, "gmd:language", "eng")
    _code(root, "gmd:hierarchyLevel", "MD_ScopeCode", "dataset")
    _contact(root, "gmd:contact", job)
    _date(root, "gmd:dateStamp", job.changed_utc)
    _text(root, "gmd:metadataStandardName", "ISO 19115:2003")
    if job.crs:
        system = _path(root, "gmd:referenceSystemInfo", "gmd:MD_ReferenceSystem")
        identifier = _path(system, "gmd:referenceSystemIdentifier", "gmd:RS_Identifier")
        _text(identifier, "gmd:code", job.crs)
    _identification(root, job)
    quality = _path(root, "gmd:dataQualityInfo", "gmd:DQ_DataQuality")
    scope = _path(quality, "gmd:scope", "gmd:DQ_Scope")
    _code(scope, "gmd:level", "MD_ScopeCode", "dataset")
    lineage = _path(quality, "gmd:lineage", "gmd:LI_Lineage")
    _text(lineage, "gmd:statement", job.lineage)
    for step in job.steps:
        element = _path(lineage, "gmd:processStep", "gmd:LI_ProcessStep")
        _text(element, "gmd:description", step.words)
        moment = ET.SubElement(element, "gmd:dateTime")
        ET.SubElement(moment, "gco:DateTime").text = _second(step.time_utc)
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode")


def _identification(root: ET.Element, job: JobMetadata) -> None:
    data = _path(root, "gmd:identificationInfo", "gmd:MD_DataIdentification")
    citation = _path(data, "gmd:citation", "gmd:CI_Citation")
    _text(citation, "gmd:title", job.title)
    for day, kind in ((job.created_utc, "creation"), (job.changed_utc, "revision")):
        date = _path(citation, "gmd:date", "gmd:CI_Date")
        _date(date, "gmd:date", day)
        _code(date, "gmd:dateType", "CI_DateTypeCode", kind)
    _text(data, "gmd:abstract", job.abstract)
    if job.contact or job.contact_email:
        _contact(data, "gmd:pointOfContact", job)
    _text(data, "gmd:language", "eng")
    topic = ET.SubElement(data, "gmd:topicCategory")
    ET.SubElement(topic, "gmd:MD_TopicCategoryCode").text = "geoscientificInformation"
    if not job.bounds and not job.walked_from_utc:
        return
    extent = _path(data, "gmd:extent", "gmd:EX_Extent")
    if job.bounds:
        box = _path(extent, "gmd:geographicElement", "gmd:EX_GeographicBoundingBox")
        west, south, east, north = job.bounds
        for side, degrees in (
            ("westBoundLongitude", west), ("eastBoundLongitude", east),
            ("southBoundLatitude", south), ("northBoundLatitude", north),
        ):  # fmt: skip
            ET.SubElement(ET.SubElement(box, f"gmd:{side}"), "gco:Decimal").text = f"{degrees:.7f}"
    if job.walked_from_utc:
        time = _path(extent, "gmd:temporalElement", "gmd:EX_TemporalExtent", "gmd:extent")
        period = ET.SubElement(time, "gml:TimePeriod", {"gml:id": "walked"})
        ET.SubElement(period, "gml:beginPosition").text = _second(job.walked_from_utc)
        ET.SubElement(period, "gml:endPosition").text = _second(
            job.walked_to_utc or job.walked_from_utc
        )


def _contact(parent: ET.Element, tag: str, job: JobMetadata) -> None:
    if not job.contact and not job.contact_email:
        ET.SubElement(parent, tag, {"gco:nilReason": "missing"})
        return
    party = _path(parent, tag, "gmd:CI_ResponsibleParty")
    _text(party, "gmd:organisationName", job.contact or job.contact_email)
    if job.contact_email:
        address = _path(party, "gmd:contactInfo", "gmd:CI_Contact", "gmd:address", "gmd:CI_Address")
        _text(address, "gmd:electronicMailAddress", job.contact_email)
    _code(party, "gmd:role", "CI_RoleCode", "pointOfContact")


def _path(parent: ET.Element, *tags: str) -> ET.Element:
    for tag in tags:
        parent = ET.SubElement(parent, tag)
    return parent


def _text(parent: ET.Element, tag: str, text: str) -> None:
    # XML 1.0 has no place for control characters other than these three.
    plain = "".join(c for c in text if c >= " " or c in "\t\n\r")
    ET.SubElement(ET.SubElement(parent, tag), "gco:CharacterString").text = plain


def _code(parent: ET.Element, tag: str, kind: str, value: str) -> None:
    element = ET.SubElement(parent, tag)
    ET.SubElement(
        element, f"gmd:{kind}", codeList=f"{_CODES}#{kind}", codeListValue=value
    ).text = value


def _date(parent: ET.Element, tag: str, time_utc: str) -> None:
    if not time_utc:
        ET.SubElement(parent, tag, {"gco:nilReason": "unknown"})
        return
    ET.SubElement(ET.SubElement(parent, tag), "gco:Date").text = time_utc[:10]


def _second(time_utc: str) -> str:
    """Time to the second, which every reader of the standard knows."""
    return f"{time_utc[:19]}Z"
