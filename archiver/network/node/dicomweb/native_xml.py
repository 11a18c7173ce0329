"""The Native DICOM Model in XML (PS3.19 A.1), to and from the DICOM JSON model (PS3.18 F)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree as ET
from xml.parsers import expat

from pydicom.datadict import keyword_for_tag

from archiver.wording import Text

NAMESPACE = "http://dicom.nema.org/PS3.19/models/NativeDICOM"
_ROOT = "NativeDicomModel"
#: Components of each group of a person's name, in their order (PS3.5 6.2.1).
_COMPONENTS = ("FamilyName", "GivenName", "MiddleName", "NamePrefix", "NameSuffix")
_GROUPS = ("Alphabetic", "Ideographic", "Phonetic")
_WHOLE = ("SL", "SS", "UL", "US", "SV", "UV", "IS")
_REAL = ("FL", "FD", "DS")


class BadXmlError(ValueError):
    """It is no Native DICOM Model."""


def to_xml(told: Mapping[str, Any]) -> bytes:
    """Return an object or an answer as XML.

    Parameters
    ----------
    told
        In the DICOM JSON model.
    """
    root = ET.Element(_ROOT, {"xmlns": NAMESPACE, "xml:space": "preserve"})
    _add(root, told)
    found: bytes = ET.tostring(root, "utf-8", xml_declaration=True)
    return found


def _add(parent: ET.Element, told: Mapping[str, Any]) -> None:
    for tag, element in sorted(told.items()):
        keyword = keyword_for_tag(int(tag, 16))
        about = {"tag": tag.upper(), "vr": element["vr"]}
        if keyword:
            about["keyword"] = keyword
        node = ET.SubElement(parent, "DicomAttribute", about)
        if "BulkDataURI" in element:
            ET.SubElement(node, "BulkData", uri=element["BulkDataURI"])
        elif "InlineBinary" in element:
            ET.SubElement(node, "InlineBinary").text = element["InlineBinary"]
        for number, value in enumerate(element.get("Value", ()), start=1):
            _add_value(node, element["vr"], str(number), value)


def _add_value(node: ET.Element, vr: str, number: str, value: Any) -> None:
    if vr == "SQ":
        _add(ET.SubElement(node, "Item", number=number), value or {})
    elif vr == "PN":
        name = ET.SubElement(node, "PersonName", number=number)
        for group in _GROUPS:
            if (value or {}).get(group):
                parts = ET.SubElement(name, group)
                for kind, part in zip(_COMPONENTS, value[group].split("^"), strict=False):
                    if part:
                        ET.SubElement(parts, kind).text = _printable(part)
    elif value is not None:
        ET.SubElement(node, "Value", number=number).text = _printable(str(value))


def _printable(text: str) -> str:
    """Leave out what XML 1.0 has no place for; such characters are no part of any DICOM text."""
    return "".join(c for c in text if c in "\t\n\r" or (c >= " " and c not in "\ufffe\uffff"))


def from_xml(data: bytes, nesting: int) -> dict[str, Any]:
    """Read an object.

    Parameters
    ----------
    nesting
        Sequences within sequences at most.

    Returns
    -------
    dict
        In the DICOM JSON model.

    Raises
    ------
    BadXmlError
        If it is malformed, has a document type (whose entities could grow without end), or is
        no Native DICOM Model.
    """
    builder = ET.TreeBuilder()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = lambda name, about: builder.start(name.rpartition(" ")[2], about)
    parser.EndElementHandler = lambda name: builder.end(name.rpartition(" ")[2])
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = _refuse
    parser.buffer_text = True
    try:
        parser.Parse(data, True)
        root = builder.close()
    except (expat.ExpatError, AssertionError, ValueError) as error:
        raise BadXmlError(Text("network.xml.no_xml")) from error
    if root.tag != _ROOT:
        raise BadXmlError(Text("network.xml.no_model"))
    return _read(root, nesting)


def _refuse(*_: object) -> None:
    raise BadXmlError(Text("network.xml.document_type"))


def _read(parent: ET.Element, left: int) -> dict[str, Any]:
    if left < 0:
        raise BadXmlError(Text("network.xml.too_deep"))
    found: dict[str, Any] = {}
    for node in parent:
        if node.tag != "DicomAttribute":
            raise BadXmlError(Text("network.xml.element"))
        vr = node.get("vr", "UN")
        element: dict[str, Any] = {"vr": vr}
        values = []
        for child in sorted(node, key=_number):
            if child.tag == "BulkData":
                element["BulkDataURI"] = child.get("uri", "")
            elif child.tag == "InlineBinary":
                element["InlineBinary"] = (child.text or "").strip()
            else:
                values.append(_value(child, vr, left))
        if values:
            element["Value"] = values
        found[node.get("tag", "")] = element
    return found


def _number(node: ET.Element) -> int:
    text = node.get("number", "0")
    return int(text) if text.isascii() and text.isdigit() else 0


def _value(node: ET.Element, vr: str, left: int) -> Any:
    if node.tag == "Item":
        return _read(node, left - 1)
    if node.tag == "PersonName":
        groups = {}
        for group in node:
            parts = {part.tag: part.text or "" for part in group}
            name = "^".join(parts.get(kind, "") for kind in _COMPONENTS).rstrip("^")
            groups[group.tag] = name
        return groups
    text = node.text or ""
    try:
        if vr in _WHOLE:
            return int(text)
        return float(text) if vr in _REAL else text
    except ValueError as error:
        raise BadXmlError(Text("network.xml.value")) from error
