"""Content trees of structured documents (PS3.3 C.17.3), Key Object Selections among them.

Which value needs which attribute is Table C.17.3-7; which items may contain which, the tables of
A.35. What the tree of a Key Object Selection consists of, `template_rules` knows.
"""

from __future__ import annotations

from functools import cache

from pydicom._uid_dict import UID_dictionary

from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item, step_into
from archiver.standard.key_object_rules import KEY_OBJECT_SELECTION
from archiver.standard.report import ObjectFindings
from archiver.standard.tables import load_toml
from archiver.standard.template_rules import check_selection, content_items
from archiver.wording import Text

#: SOP classes with a content tree.
_DOCUMENTS = "1.2.840.10008.5.1.4.1.1.88."
_CONTENT, _NAME, _SOP = "ContentSequence", "ConceptNameCodeSequence", "ReferencedSOPSequence"
_UNITS = "MeasurementUnitsCodeSequence"
_EVIDENCE = ("CurrentRequestedProcedureEvidenceSequence", "PertinentOtherEvidenceSequence")
#: Value type -> the attribute that holds the value.
_HOLDER = {
    "TEXT": "TextValue",
    "NUM": "MeasuredValueSequence",
    "CODE": "ConceptCodeSequence",
    "DATETIME": "DateTime",
    "DATE": "Date",
    "TIME": "Time",
    "UIDREF": "UID",
    "PNAME": "PersonName",
    "COMPOSITE": _SOP,
    "IMAGE": _SOP,
    "WAVEFORM": _SOP,
    "SCOORD": "GraphicData",
    "SCOORD3D": "GraphicData",
    "TCOORD": "TemporalRangeType",
    "TABLE": "TabulatedValuesSequence",
    "CONTAINER": "ContinuityOfContent",
}
_NAMED = {"TEXT", "NUM", "CODE", "DATETIME", "DATE", "TIME", "UIDREF", "PNAME", "TABLE"}
_PLAIN = ("TEXT", "CODE", "DATETIME", "DATE", "TIME", "UIDREF", "PNAME")
_REFERRING = {"COMPOSITE", "IMAGE", "WAVEFORM"}
#: In the names of classes without pixels.
_NO_IMAGE = ("SR Storage", "Key Object", "Presentation State", "Encapsulated")
_RELATIONSHIPS = {
    *("CONTAINS", "HAS PROPERTIES", "HAS OBS CONTEXT", "HAS ACQ CONTEXT", "INFERRED FROM"),
    *("SELECTED FROM", "HAS CONCEPT MOD"),
}
_COORDINATES = {"SCOORD": {"IMAGE"}, "TCOORD": {"SCOORD", "IMAGE", "WAVEFORM"}}
#: Basic Text, Enhanced, Key Object Selection: no item by reference (A.35.1.3 and its kin).
_WITHOUT_REFERENCES = {f"{_DOCUMENTS}11", f"{_DOCUMENTS}22", KEY_OBJECT_SELECTION}
_DOCUMENT_TERMS = {
    "Modality": {"SR", "KO", "RESP"},
    "CompletionFlag": {"PARTIAL", "COMPLETE"},
    "VerificationFlag": {"UNVERIFIED", "VERIFIED"},
}
_DOCUMENT_ATTRIBUTES = (
    *("Modality", "SeriesInstanceUID", "SeriesNumber", "InstanceNumber", "ContentDate"),
    *("ContentTime", "CompletionFlag", "VerificationFlag", "ValueType", _NAME),
)


def check_content_tree(dataset: Item, report: ObjectFindings) -> None:
    """Check the content tree of a structured document; nothing for any other object."""
    sop_class = dataset.text("SOPClassUID")
    if not sop_class.startswith(_DOCUMENTS):
        return
    selection = sop_class == KEY_OBJECT_SELECTION
    if not selection:
        _check_document(dataset, report)
    if dataset.has("ValueType") and dataset.text("ValueType") != "CONTAINER":
        _report(report, "tree-value-type", "", "ValueType", "root")
    if "RelationshipType" in dataset:
        _report(report, "tree-attribute-alien", "", "RelationshipType", "at_the_root")
    listed = _check_evidence(dataset, report)
    _check_item(dataset, "", report)
    for prefix, item, above in content_items(dataset):
        _check_place(item, above, prefix, report)
        _check_item(item, prefix, report)
        _check_references(item, prefix, listed, report)
    if selection:
        check_selection(dataset, report)


def _check_document(dataset: Item, report: ObjectFindings) -> None:
    """Check the series and general modules of a report (C.17.1, C.17.2)."""
    for keyword in _DOCUMENT_ATTRIBUTES:
        _demand(dataset, "", keyword, report)
    for keyword in ("PerformedProcedureCodeSequence", "ReferencedPerformedProcedureStepSequence"):
        if keyword not in dataset:
            _report(report, "tree-attribute-missing", "", keyword, "absent")
    for keyword, terms in _DOCUMENT_TERMS.items():
        if (term := dataset.text(keyword)) and term not in terms:
            _report(report, "tree-term", "", keyword, "term", term=term[:16])


@cache
def _relationships(sop_class: str) -> frozenset[tuple[str, str, str]]:
    """Return the relationships between value types of a class; empty where no table has them."""
    rows = load_toml("relationships").get(sop_class, {}).get("rows", ())
    return frozenset(
        (above, relationship, below)
        for sources, relationship, targets in rows
        for above in _types(sources)
        for below in _types(targets)
    )


def _types(words: str) -> set[str]:
    groups = {"plain": _PLAIN, "any": _HOLDER.keys()}
    return {kind for word in words.split() for kind in groups.get(word, (word,))}


def _report(
    report: ObjectFindings, rule: str, prefix: str, keyword: str, word: str, **values: object
) -> None:
    found = Text(f"standard.content_tree_rules.{word}", **values)
    report.add_at(rule, prefix, tag_of(keyword), found=found)


def _demand(item: Item, prefix: str, keyword: str, report: ObjectFindings) -> None:
    if not item.has(keyword):
        word = "no_value" if keyword in item else "absent"
        _report(report, "tree-attribute-missing", prefix, keyword, word)


def _check_place(item: Item, above: Item, prefix: str, report: ObjectFindings) -> None:
    """Check how an item belongs to the one above it (C.17.3.2.4)."""
    _demand(item, prefix, "RelationshipType", report)
    relationship = item.text("RelationshipType")
    if relationship and relationship not in _RELATIONSHIPS:
        _report(report, "tree-relationship", prefix, "RelationshipType", "term",
                term=relationship[:16])  # fmt: skip
    kind = item.text("ValueType")
    allowed = _relationships(item.root.text("SOPClassUID"))
    between = (above.text("ValueType"), relationship, kind)
    if allowed:
        wrong = between not in allowed
    else:
        wrong = relationship == "HAS CONCEPT MOD" and kind not in ("TEXT", "CODE")
    if kind in _HOLDER and relationship in _RELATIONSHIPS and wrong:
        _report(report, "tree-relationship", prefix, "RelationshipType", "not_between",
                relationship=relationship, kind=kind)  # fmt: skip
    identifier = "ReferencedContentItemIdentifier"
    if identifier in item:
        # By reference: it has no value of its own.
        if item.root.text("SOPClassUID") in _WITHOUT_REFERENCES:
            _report(report, "tree-attribute-alien", prefix, identifier, "by_reference")
        if "ValueType" in item or "ConceptNameCodeSequence" in item:
            _report(report, "tree-attribute-alien", prefix, identifier, "beside_a_value")
        _demand(item, prefix, identifier, report)
    else:
        _demand(item, prefix, "ValueType", report)


def _check_item(item: Item, prefix: str, report: ObjectFindings) -> None:
    """Check an item's value type against what it holds (Table C.17.3-7)."""
    kind = item.text("ValueType")
    if kind and kind not in _HOLDER:
        _report(report, "tree-value-type", prefix, "ValueType", "term", term=kind[:16])
    holder = _HOLDER.get(kind)
    if holder is not None and not (kind == "NUM" and holder in item):
        _demand(item, prefix, holder, report)
    if kind in _NAMED:
        _demand(item, prefix, _NAME, report)
    for other in sorted({*_HOLDER.values()} - {holder}):
        if other in item and kind:
            _report(report, "tree-attribute-alien", prefix, other, "beside", kind=kind[:16])
    if kind == "CONTAINER":
        if item.has("ContinuityOfContent") and item.text("ContinuityOfContent") not in (
            "SEPARATE",
            "CONTINUOUS",
        ):
            term = item.text("ContinuityOfContent")[:16]
            _report(report, "tree-continuity", prefix, "ContinuityOfContent", "term", term=term)
        _check_template(item, prefix, report)
    if _CONTENT in item and not item.items(_CONTENT):
        _report(report, "tree-items", prefix, _CONTENT, "items", count=0)
    for number, one in enumerate(item.items("MeasuredValueSequence"), start=1):
        step = step_into(prefix, tag_of("MeasuredValueSequence"), number)
        _demand(one, step, "NumericValue", report)
        _demand(one, step, _UNITS, report)
        _check_code(one, step, _UNITS, report)
    wanted = _COORDINATES.get(kind)
    selected = {nested.text("ValueType") for nested in item.items(_CONTENT)}
    if wanted and not selected & wanted and not _refers(item):
        _report(report, "tree-relationship", prefix, _CONTENT, "coordinates_of_nothing")
    if kind == "SCOORD":
        _demand(item, prefix, "GraphicType", report)
    for keyword in (_NAME, "ConceptCodeSequence"):
        _check_code(item, prefix, keyword, report)


def _refers(item: Item) -> bool:
    return any("ReferencedContentItemIdentifier" in one for one in item.items(_CONTENT))


def _check_template(item: Item, prefix: str, report: ObjectFindings) -> None:
    keyword = "ContentTemplateSequence"
    if keyword not in item:
        return
    templates = item.items(keyword)
    if len(templates) != 1:
        _report(report, "tree-items", prefix, keyword, "items", count=len(templates))
    for number, one in enumerate(templates, start=1):
        step = step_into(prefix, tag_of(keyword), number)
        for wanted in ("MappingResource", "TemplateIdentifier"):
            _demand(one, step, wanted, report)


def _check_code(item: Item, prefix: str, keyword: str, report: ObjectFindings) -> None:
    """Check a code sequence for its one item and the macro's attributes (8.8)."""
    codes = item.items(keyword)
    if len(codes) > 1 or (keyword in item and not codes):
        _report(report, "tree-items", prefix, keyword, "items", count=len(codes))
    for number, code in enumerate(codes, start=1):
        step = step_into(prefix, tag_of(keyword), number)
        if not any(code.has(one) for one in ("CodeValue", "LongCodeValue", "URNCodeValue")):
            _demand(code, step, "CodeValue", report)
        if not code.has("URNCodeValue"):
            _demand(code, step, "CodingSchemeDesignator", report)
        _demand(code, step, "CodeMeaning", report)


def _check_evidence(dataset: Item, report: ObjectFindings) -> set[tuple[str, str]]:
    """Check the lists of instances by study and series (10.3); return class and UID of each."""
    listed = set()
    for keyword in _EVIDENCE:
        if keyword in dataset and not dataset.items(keyword):
            _report(report, "tree-items", "", keyword, "items", count=0)
        for number, study in enumerate(dataset.items(keyword), start=1):
            at = step_into("", tag_of(keyword), number)
            _demand(study, at, "StudyInstanceUID", report)
            _demand(study, at, "ReferencedSeriesSequence", report)
            for place, series in enumerate(study.items("ReferencedSeriesSequence"), start=1):
                inner = step_into(at, tag_of("ReferencedSeriesSequence"), place)
                _demand(series, inner, "SeriesInstanceUID", report)
                _demand(series, inner, _SOP, report)
                for order, one in enumerate(series.items(_SOP), start=1):
                    step = step_into(inner, tag_of(_SOP), order)
                    _demand(one, step, "ReferencedSOPClassUID", report)
                    _demand(one, step, "ReferencedSOPInstanceUID", report)
                    said = (one.text("ReferencedSOPClassUID"), one.text("ReferencedSOPInstanceUID"))
                    listed.add(said)
    return listed


def _is_of_other_kind(kind: str, sop_class: str) -> bool:
    """Return whether a class that pydicom knows is none of those of a value type (C.18.3 to 5)."""
    name = UID_dictionary.get(sop_class, ("",))[0]
    is_image, is_waveform = "Image Storage" in name, "Waveform Storage" in name
    if kind == "IMAGE":
        return is_waveform or any(word in name for word in _NO_IMAGE)
    if kind == "WAVEFORM":
        return is_image or any(word in name for word in _NO_IMAGE)
    return is_image or is_waveform


def _check_references(
    item: Item, prefix: str, listed: set[tuple[str, str]], report: ObjectFindings
) -> None:
    """Check that what an item refers to is whole, and listed in the evidence (C.17.2)."""
    if item.text("ValueType") not in _REFERRING:
        return
    references = item.items(_SOP)
    if len(references) > 1:
        _report(report, "tree-items", prefix, _SOP, "items", count=len(references))
    for number, one in enumerate(references, start=1):
        step = step_into(prefix, tag_of(_SOP), number)
        for keyword in ("ReferencedSOPClassUID", "ReferencedSOPInstanceUID"):
            _demand(one, step, keyword, report)
        said = (one.text("ReferencedSOPClassUID"), one.text("ReferencedSOPInstanceUID"))
        if _is_of_other_kind(item.text("ValueType"), said[0]):
            _report(report, "tree-value-type", step, "ReferencedSOPClassUID", "other_kind")
        if said not in listed:
            _report(report, "tree-evidence", step, "ReferencedSOPInstanceUID", "not_evidence")
