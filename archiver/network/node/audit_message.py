"""An audit event as the DICOM audit message (PS3.15 A.5) and as a message of syslog (RFC 5424).

Element and attribute names, their order and the codes are those of the schema in PS3.15 A.5.1 and
of CID 400, 401, 402 and 404 (PS3.16). The patient of an event is found by the study that the
journal names. Of a query the journal has no values, so that Participant Object Query, which would
hold them, is left out and its model is named instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from xml.etree.ElementTree import Element, SubElement, tostring

from pydicom.uid import UID

from archiver.network.node.audit import (
    APPLICATION,
    DESTINATION,
    NODE_AUTHENTICATION,
    RESTRICTED,
    SOP_CLASS,
    SOURCE,
    STARTED,
    STOPPED,
    STUDY,
    AuditEvent,
)

#: Meanings of the codes that are used, as CID 400, 401, 402 and 404 have them.
MEANINGS = {
    "110100": "Application Activity",
    "110102": "Begin Transferring DICOM Instances",
    "110103": "DICOM Instances Accessed",
    "110104": "DICOM Instances Transferred",
    "110106": "Export",
    "110112": "Query",
    "110113": "Security Alert",
    "110114": "User Authentication",
    STARTED: "Application Start",
    STOPPED: "Application Stop",
    "110122": "Login",
    "110123": "Logout",
    NODE_AUTHENTICATION: "Node Authentication",
    RESTRICTED: "Use of Restricted Function",
    APPLICATION: "Application",
    DESTINATION: "Destination Role ID",
    SOURCE: "Source Role ID",
    STUDY: "Study Instance UID",
    SOP_CLASS: "SOP Class UID",
}
#: Facility 10 (security and authorization) and severity 5 (notice): RFC 5424 6.2.1.
_PRIORITY = 10 * 8 + 5
_APP, _KIND = "archiver", "DICOM+RFC3881"
#: Every text of a message is in UTF-8 with the mark that says so (RFC 5424 6.4).
_BOM = b"\xef\xbb\xbf"
#: What the parts of a header may be (RFC 5424 6.1): PRINTUSASCII.
_PRINTABLE = frozenset(map(chr, range(33, 127)))


@dataclass(frozen=True)
class AuditedPatient:
    """Whom an event is about.

    Parameters
    ----------
    identifier
        Patient ID, with its issuer as PS3.15 has it: ``P-0417^^^RIVERBEND``.
    name
        As DICOM writes it; empty where it is not known.
    """

    identifier: str
    name: str


def audit_message(event: AuditEvent, site: str, patient: AuditedPatient | None) -> bytes:
    """Return the message in XML.

    Parameters
    ----------
    site
        AuditEnterpriseSiteID; empty where none is named.
    patient
        None where an event is about none, or its study is here no more.
    """
    root = Element("AuditMessage")
    identified = SubElement(root, "EventIdentification", _given(event))
    _coded(identified, "EventID", event.event)
    if event.kind:
        _coded(identified, "EventTypeCode", event.kind)
    if event.detail:
        SubElement(identified, "EventOutcomeDescription").text = _text(event.detail)
    for one in event.participants:
        said = {"UserID": _text(one.user) or "unknown"}
        said["UserIsRequestor"] = "true" if one.is_requestor else "false"
        if one.access_point:
            said["NetworkAccessPointID"] = _text(one.access_point)
            said["NetworkAccessPointTypeCode"] = str(one.access_point_type)
        participant = SubElement(root, "ActiveParticipant", said)
        if one.role:
            _coded(participant, "RoleIDCode", one.role)
    source = {"AuditEnterpriseSiteID": _text(site)} if site else {}
    source["AuditSourceID"] = _text(event.source) or _APP
    SubElement(root, "AuditSourceIdentification", source)
    for uid, kind, count in event.objects:
        _object(root, uid, kind, count)
    if patient is not None:
        _patient(root, patient)
    # On one line: some receivers of syslog end a message at one.
    return bytes(tostring(root, "utf-8", xml_declaration=True)).replace(b"\n", b" ")


def _given(event: AuditEvent) -> dict[str, str]:
    return {
        "EventActionCode": event.action,
        "EventDateTime": event.time,
        "EventOutcomeIndicator": str(event.outcome),
    }


def _coded(above: Element, name: str, code: str, scheme: str = "DCM", meaning: str = "") -> None:
    said = meaning or MEANINGS.get(code, code)
    SubElement(above, name, {"csd-code": code, "codeSystemName": scheme, "originalText": said})


def _object(root: Element, uid: str, kind: str, count: int) -> None:
    """Name a study or a model of queries: a system object (2), a report (3), as A.5.3 has it."""
    role = {"ParticipantObjectTypeCode": "2", "ParticipantObjectTypeCodeRole": "3"}
    one = SubElement(root, "ParticipantObjectIdentification", {"ParticipantObjectID": uid, **role})
    _coded(one, "ParticipantObjectIDTypeCode", kind)
    SubElement(one, "ParticipantObjectName").text = UID(uid).name
    if count:
        SubElement(one, "SOPClass", {"NumberOfInstances": str(count)})


def _patient(root: Element, patient: AuditedPatient) -> None:
    """Name a patient: a person (1) in the role of the patient (1)."""
    role = {"ParticipantObjectTypeCode": "1", "ParticipantObjectTypeCodeRole": "1"}
    said = {"ParticipantObjectID": _text(patient.identifier), **role}
    one = SubElement(root, "ParticipantObjectIdentification", said)
    _coded(one, "ParticipantObjectIDTypeCode", "2", "RFC-3881", "Patient Number")
    SubElement(one, "ParticipantObjectName").text = _text(patient.name)


def _text(text: str) -> str:
    """Return a text without what XML 1.0 cannot hold."""
    return "".join(one for one in text if one in "\t\n\r" or one >= " ").strip()


def syslog_message(message: bytes, time: str, host: str, process: int) -> bytes:
    """Return a message of syslog, as RFC 5424 has it.

    Parameters
    ----------
    message
        In UTF-8.
    time
        ISO 8601 with its offset.
    """
    told = datetime.fromisoformat(time).isoformat(timespec="milliseconds")
    named = "".join(one for one in host if one in _PRINTABLE)[:255] or "-"
    head = f"<{_PRIORITY}>1 {told} {named} {_APP} {process} {_KIND} - "
    return head.encode("ascii") + _BOM + message


def framed(message: bytes) -> bytes:
    """Return a message with its length before it, as it goes over TLS (RFC 5425 4.3)."""
    return b"%d %s" % (len(message), message)
