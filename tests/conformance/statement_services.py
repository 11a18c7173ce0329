"""Tables of the conformance statement: services, transfer syntaxes, keys and statuses."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date

from pydicom.datadict import dictionary_description, tag_for_keyword
from pydicom.uid import UID
from pynetdicom import DEFAULT_TRANSFER_SYNTAXES

from archiver.access.roles import roles
from archiver.network.client.dimse import find as client_find
from archiver.network.client.dimse import procedure_step, retrieve, worklist
from archiver.network.node import answers, supported
from archiver.network.node.audit import Event
from archiver.network.node.dicomweb import resources
from archiver.network.node.dicomweb.qido import MORE, RETURNED
from archiver.network.node.dimse import listener, messages, upper_layer
from archiver.network.node.query.information_model import ATTRIBUTES, IN_HEADERS, REQUIRED
from archiver.network.node.query.worklist import WorklistRow, item_of
from archiver.network.node.settings import NodeLimits
from archiver.network.presentation_contexts import UNCOMPRESSED
from archiver.network.query_level import Level
from archiver.network.statuses import rows
from archiver.objects.part10 import IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION_NAME
from archiver.service.control_channel import COMMANDS
from tests.access.access_table import rows as rows_of_access

#: PS3.6 annex A; pydicom's dictionary has no JPEG XL yet.
_NAMES = {
    "1.2.840.10008.1.2.4.110": "JPEG XL Lossless",
    "1.2.840.10008.1.2.4.111": "JPEG XL JPEG Recompression",
    "1.2.840.10008.1.2.4.112": "JPEG XL",
    "1.2.840.10008.5.1.4.1.1.66.7": "Label Map Segmentation Storage",
    "1.2.840.10008.5.1.4.1.1.66.8": "Height Map Segmentation Storage",
    "1.2.840.10008.5.1.4.1.1.9.100.1": "Waveform Presentation State Storage",
    "1.2.840.10008.5.1.4.1.1.9.100.2": "Waveform Acquisition Presentation State Storage",
}
_HIGHEST = "1.2.840.10008."


def table(head: Sequence[str], body: Iterable[Sequence[object]]) -> str:
    """Write a table in Markdown."""
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    lines += ["| " + " | ".join(_cell(one) for one in row) + " |" for row in body]
    return "\n".join(lines)


def _cell(value: object) -> str:
    return str(value).replace("|", "\\|").replace("\n", " ").strip()


def name_of(uid: str) -> str:
    """Return the name of a UID in PS3.6, without what a table says already."""
    name = _NAMES.get(uid) or UID(uid).name
    if name == uid:
        raise LookupError(f"no name is known for {uid}")
    return name.replace(": Default Transfer Syntax for Lossy JPEG 8-bit Image Compression", "")


def tag_text(keyword: str) -> str:
    """Return a tag as PS3.6 prints it."""
    tag = tag_for_keyword(keyword)
    assert tag is not None, keyword
    return f"({tag >> 16:04X},{tag & 0xFFFF:04X})"


def _attribute(keyword: str) -> tuple[str, str]:
    tag = tag_for_keyword(keyword)
    assert tag is not None, keyword
    return dictionary_description(tag), tag_text(keyword)


def _overview() -> str:
    count = len(supported.STORAGE)
    classes = f"{count} storage classes, listed with the presentation contexts of NODE"
    stored = [(classes, "yes, in C-MOVE, C-GET and `send`", "yes")]
    found = []
    for uid in (
        supported.VERIFICATION,
        *(
            r + s
            for r in (supported.PATIENT_ROOT, supported.STUDY_ROOT)
            for s in (".1", ".2", ".3")
        ),
        supported.WORKLIST,
        supported.COMMITMENT,
    ):
        found.append((name_of(uid), "yes", "yes"))
    found += [(name_of(uid), "yes", "no") for uid in TOLD]
    return table(
        ("Network service", "User of service (SCU)", "Provider of service (SCP)"), stored + found
    )


def _web_overview() -> str:
    names = {"QIDO-RS": "Query", "STOW-RS": "Store", "WADO-RS": "Retrieve"}
    return table(
        ("DICOMweb service", "User agent", "Origin server"),
        [(f"{name} ({short})", "yes", "yes") for short, name in names.items()],
    )


def _association() -> str:
    limits = NodeLimits()
    return table(
        ("Property", "Value"),
        [
            ("Application context", "1.2.840.10008.3.1.1.1"),
            ("Implementation Class UID", IMPLEMENTATION_CLASS_UID),
            ("Implementation Version Name", IMPLEMENTATION_VERSION_NAME),
            ("Maximum PDU size received by the node", f"{limits.pdu_bytes} (configurable)"),
            ("Maximum PDU size received by the client", client_pdu()),
            (
                "Maximum number of simultaneous associations",
                f"{limits.associations} (configurable)",
            ),
            ("Connections at one time", f"{limits.connections} (configurable)"),
            ("of one address", f"{limits.connections_of_one_address} (configurable)"),
            ("Connections waiting to be taken", listener.NodeServer.request_queue_size),
            ("Longest A-ASSOCIATE-RQ", upper_layer.LONGEST_NEGOTIATION),
            ("Longest command set", messages.LONGEST_COMMAND),
            ("Asynchronous operations window", "not negotiated: one operation at a time"),
            ("SOP class extended negotiation", "not supported; every option is off"),
            ("SOP class common extended negotiation, user identity", "not supported"),
        ],
    )


def client_pdu() -> int:
    """Return the largest PDU that the client takes."""
    from archiver.network.client.dimse.link import OUR_PDU

    return OUR_PDU


def _node_contexts() -> str:
    storage = set(supported.STORAGE)
    body = []
    for context in supported.contexts(worklist=True):
        uid = str(context.abstract_syntax)
        syntaxes = "storage, see below" if uid in storage else _named(context.transfer_syntax)
        role = "SCP; SCU by role selection" if context.scu_role else "SCP"
        body.append((name_of(uid), uid, syntaxes, role, "none"))
    return table(
        ("Abstract syntax", "UID", "Transfer syntaxes", "Role", "Extended negotiation"), body
    )


def _named(uids: Iterable[str]) -> str:
    return ", ".join(name_of(str(uid)) for uid in uids)


def _storage_syntaxes() -> str:
    return table(
        ("Transfer syntax", "UID"), [(name_of(uid), uid) for uid in supported.STORAGE_SYNTAXES]
    )


#: By which the clinic's system is told of a visit.
TOLD = (procedure_step.PERFORMED_STEP, procedure_step.AVAILABILITY)


def _client_contexts() -> str:
    default = _named(DEFAULT_TRANSFER_SYNTAXES)
    body = [
        ("`echo`", name_of(supported.VERIFICATION), default, "SCU"),
        (
            "`send`",
            "the SOP class of each object",
            "that of the object, alone; beside it " + _named(UNCOMPRESSED),
            "SCU",
        ),
    ]
    for root in client_find.MODELS.values():
        body.append(("`query`", name_of(root + supported.FIND), default, "SCU"))
        body.append(("`retrieve`", name_of(root + supported.GET), default, "SCU"))
        body.append(("`retrieve`", name_of(root + supported.MOVE), default, "SCU"))
    body.append(
        ("`retrieve`", "storage classes below", _named(retrieve.SYNTAXES), "SCP by role selection")
    )
    body.append(("`worklist`", name_of(worklist.WORKLIST), default, "SCU"))
    body.append(("`outbox`", name_of(supported.COMMITMENT), default, "SCU"))
    body += [("`serve`, to peers with `performed`", name_of(uid), default, "SCU") for uid in TOLD]
    return table(("Verb", "Abstract syntax", "Transfer syntaxes", "Role"), body)


def _client_classes() -> str:
    return table(
        ("Storage SOP class proposed when it is not known what will come", "UID"),
        [(name_of(uid), uid) for uid in retrieve.USUAL_CLASSES],
    )


def _statuses() -> str:
    return table(
        ("Answer to", "Status", "When"),
        [(", ".join(one.services), f"{one.status:04X}", one.when) for one in answers.BEHAVIOUR],
    )


def _client_statuses() -> str:
    body = []
    for row in rows():
        codes = f"{row.first:04X}" if row.first == row.last else f"{row.first:04X}-{row.last:04X}"
        again = "yes" if row.passes else "no"
        body.append(
            (row.service.value, codes, row.category.value, str(row.meaning), again, row.clause)
        )
    return table(("Service", "Status", "Kind", "Told as", "Sent again later", "Source"), body)


def _kind(level: Level, keyword: str) -> str:
    if keyword == level.unique_key:
        return "U"
    return "R" if keyword in REQUIRED else "O"


def _query_keys() -> str:
    body = []
    for keyword, attribute in ATTRIBUTES.items():
        level = attribute.level
        counted = attribute.column is None and keyword != "ModalitiesInStudy"
        matching = "returned only" if counted and keyword.startswith("Number") else "matched"
        body.append((level.value, *_attribute(keyword), _kind(level, keyword), matching, "index"))
    for level, keywords in IN_HEADERS.items():
        for keyword in sorted(keywords):
            body.append((level.value, *_attribute(keyword), "O", "matched", "first object"))
    body.append(("IMAGE", "any other attribute of the object", "", "O", "matched", "object"))
    return table(("Level", "Attribute", "Tag", "Type of key", "Use", "Read from"), body)


def _worklist_keys() -> str:
    item = item_of(WorklistRow("P", "N", "2026-03-04"))
    step = item.ScheduledProcedureStepSequence[0]
    body = [("Scheduled Procedure Step Sequence > " + e.name, str(e.tag), e.VR) for e in step]
    body += [(e.name, str(e.tag), e.VR) for e in item if e.VR != "SQ"]
    return table(("Key, matched and returned", "Tag", "VR"), body)


def _client_worklist() -> str:
    asked = worklist._question(date(2026, 3, 4), "XC", "CAMERA1", "P-0417", "Okafor*")
    step = asked.pop("ScheduledProcedureStepSequence").value[0]
    body = []
    for where, keys in (("Scheduled Procedure Step Sequence > ", step), ("", asked)):
        for key in keys:
            use = "matched where the user says so" if key.value else "returned"
            body.append((where + key.name, str(key.tag), use))
    return table(("Key", "Tag", "Use"), body)


def _resources() -> str:
    body = []
    for one in resources.RESOURCES:
        given = ", ".join(resources.GIVEN[one.action])
        body.append((one.action.service, one.method, f"`{one.path}`", one.action.value, given))
    return table(("Service", "Method", "Resource", "What", "Media types given"), body)


def _web_statuses() -> str:
    body = []
    for code, actions, when in resources.STATUSES:
        every = set(actions) == set(resources.Action)
        what = "every resource" if every else ", ".join(a.value for a in actions)
        body.append((code, what, when))
    return table(("Status", "Answer to", "When"), body)


def _web_keys() -> str:
    body = []
    for level in (Level.STUDY, Level.SERIES, Level.IMAGE):
        for keyword in RETURNED[level]:
            body.append((level.value, *_attribute(keyword), "always"))
        for keyword in MORE[level]:
            body.append((level.value, *_attribute(keyword), "with includefield=all"))
    return table(("Level", "Attribute", "Tag", "Returned"), body)


def _media() -> str:
    from archiver.network.node.dicomweb.content_negotiation import IMAGE_SYNTAXES

    body = []
    for media, syntaxes in IMAGE_SYNTAXES.items():
        for number, uid in enumerate(syntaxes):
            body.append((media, name_of(uid), uid, "" if number else "where none is named"))
    return table(("Media type", "Transfer syntax", "UID", "Default"), body)


def _audit() -> str:
    from pydicom.sr.codedict import codes
    from pydicom.sr.coding import Code

    body = []
    known = (getattr(codes.DCM, name) for name in dir(codes.DCM))
    names = {one.value: one.meaning for one in known if isinstance(one, Code)}
    for event in Event:
        name = names[event.code]
        body.append((event.name.lower().replace("_", " "), event.code, name, event.action))
    return table(("Event", "Event ID (DCM)", "Meaning", "Action"), body)


def _access() -> str:
    body = []
    for row in rows_of_access():
        who = ["anybody"] if row.permission is None else [r for r in roles() if row.lets_in(r)]
        needed = row.permission or ("log-in" if row.permission == "" else "")
        body.append((row.service, row.method, f"`{row.path}`", needed, ", ".join(who)))
    return table(("Service", "Method", "Route", "Needs", "Open to"), body)


def _commands() -> str:
    body = [(f"`{name}`", needed) for name, needed in COMMANDS.items()]
    return table(("Request", "Needs"), body)


SERVICE_TABLES: dict[str, Callable[[], str]] = {
    "network services": _overview,
    "web services": _web_overview,
    "association": _association,
    "node contexts": _node_contexts,
    "storage syntaxes": _storage_syntaxes,
    "client contexts": _client_contexts,
    "client classes": _client_classes,
    "node statuses": _statuses,
    "client statuses": _client_statuses,
    "query keys": _query_keys,
    "worklist keys": _worklist_keys,
    "client worklist keys": _client_worklist,
    "web resources": _resources,
    "web statuses": _web_statuses,
    "web attributes": _web_keys,
    "media types": _media,
    "access": _access,
    "control channel": _commands,
    "audit events": _audit,
}
