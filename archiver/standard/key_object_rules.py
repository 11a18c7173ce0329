"""Key Object Selection Documents: their modules and their template (PS3.3 C.17.6, TID 2010)."""

from __future__ import annotations

from archiver.standard.coded_rules import Concept, concept_of
from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item, step_into
from archiver.standard.report import ObjectFindings
from archiver.standard.tables import load_toml
from archiver.wording import Text

KEY_OBJECT_SELECTION = "1.2.840.10008.5.1.4.1.1.88.59"

# Type 1 and 2 of C.17.6.1, C.17.6.2 and C.17.3, as highdicom's tables have them too.
_WITH_VALUE = (
    "Modality",
    "SeriesInstanceUID",
    "SeriesNumber",
    "InstanceNumber",
    "ContentDate",
    "ContentTime",
    "CurrentRequestedProcedureEvidenceSequence",
    "ValueType",
    "ConceptNameCodeSequence",
    "ContinuityOfContent",
    "ContentSequence",
)
_MAYBE_EMPTY = "ReferencedPerformedProcedureStepSequence"
_CONTENT = "ContentSequence"
_TITLES, _REASONS = "7010", "7011"
#: "Rejected for Quality Reasons" and "Quality Issue".
_OF_QUALITY = ("113001", "113010")
_MODIFIER = "113011"
#: "Best In Set" has modifiers of another group (CID 7012).
_BEST_IN_SET = "113013"


def check_key_objects(dataset: Item, report: ObjectFindings) -> None:
    """Check a Key Object Selection Document; nothing for any other object."""
    if dataset.text("SOPClassUID") != KEY_OBJECT_SELECTION:
        return
    _check_attributes(dataset, report)
    titles = dataset.items("ConceptNameCodeSequence")
    title = concept_of(titles[0]) if titles else None
    if title is not None and title.value and not _is_of(_TITLES, title):
        report.add_at(
            "note-title", "", tag_of("ConceptNameCodeSequence"), found=f"'{title.value[:32]}'"
        )
    _check_modifiers(dataset, title.value if title else "", report)
    _check_instances(dataset, report)


def _check_attributes(dataset: Item, report: ObjectFindings) -> None:
    for keyword in _WITH_VALUE:
        if not dataset.has(keyword):
            there = Text(
                f"standard.key_object_rules.{'no_value' if keyword in dataset else 'absent'}"
            )
            report.add_at("note-attribute-missing", "", tag_of(keyword), found=there)
    if _MAYBE_EMPTY not in dataset:
        report.add_at(
            "note-attribute-missing",
            "",
            tag_of(_MAYBE_EMPTY),
            found=Text("standard.key_object_rules.absent"),
            expected=Text("standard.key_object_rules.present_perhaps_without"),
        )
    if dataset.has("Modality") and dataset.text("Modality") != "KO":
        report.add_at(
            "note-attribute-missing",
            "",
            tag_of("Modality"),
            found=f"'{dataset.text('Modality')[:16]}'",
            expected="'KO'",
        )


def _is_of(group: str, concept: Concept) -> bool:
    row = load_toml("contexts")["groups"][group]
    return concept.scheme == row["scheme"] and concept.value in row["codes"]


def _check_modifiers(dataset: Item, title: str, report: ObjectFindings) -> None:
    for number, item in enumerate(dataset.items(_CONTENT), start=1):
        names = item.items("ConceptNameCodeSequence")
        if not names or concept_of(names[0]).value != _MODIFIER or title == _BEST_IN_SET:
            continue
        reasons = [concept_of(one) for one in item.items("ConceptCodeSequence")]
        if title not in _OF_QUALITY or not all(_is_of(_REASONS, one) for one in reasons):
            values = " ".join(one.value[:32] for one in reasons) or "no code"
            report.add_at(
                "note-modifier",
                step_into("", tag_of(_CONTENT), number),
                tag_of("ConceptCodeSequence"),
                found=Text(
                    "standard.key_object_rules.under_title", values=values, title=title[:32]
                ),
            )


def _check_instances(dataset: Item, report: ObjectFindings) -> None:
    listed = {
        (one.text("ReferencedSOPClassUID"), one.text("ReferencedSOPInstanceUID"))
        for study in dataset.items("CurrentRequestedProcedureEvidenceSequence")
        for series in study.items("ReferencedSeriesSequence")
        for one in series.items("ReferencedSOPSequence")
    }
    any_there = False
    for number, item in enumerate(dataset.items(_CONTENT), start=1):
        for place, one in enumerate(item.items("ReferencedSOPSequence"), start=1):
            any_there = True
            step = step_into("", tag_of(_CONTENT), number)
            at = f"{step_into(step, tag_of('ReferencedSOPSequence'), place)}"
            uid = one.text("ReferencedSOPInstanceUID")
            tag = tag_of("ReferencedSOPInstanceUID")
            if (one.text("ReferencedSOPClassUID"), uid) not in listed:
                report.add_at(
                    "note-reference-unlisted",
                    at,
                    tag,
                    found=Text("standard.key_object_rules.not_evidence"),
                )
            if uid == dataset.text("SOPInstanceUID"):
                report.add_at(
                    "note-of-itself", at, tag, found=Text("standard.key_object_rules.own_uid")
                )
    if not any_there and _CONTENT in dataset:
        report.add_at(
            "note-without-instance",
            "",
            tag_of(_CONTENT),
            found=Text("standard.key_object_rules.none"),
        )
