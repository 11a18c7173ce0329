"""Key Object Selection Documents: modules (PS3.3 C.17.6); `template_rules` has the content."""

from __future__ import annotations

from archiver.standard.coded_rules import concept_of
from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item, step_into
from archiver.standard.report import ObjectFindings
from archiver.standard.template_rules import is_of
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
_TITLES = "7010"


def check_key_objects(dataset: Item, report: ObjectFindings) -> None:
    """Check a Key Object Selection Document; nothing for any other object."""
    if dataset.text("SOPClassUID") != KEY_OBJECT_SELECTION:
        return
    _check_attributes(dataset, report)
    titles = dataset.items("ConceptNameCodeSequence")
    title = concept_of(titles[0]) if titles else None
    if title is not None and title.value and not is_of(_TITLES, title):
        report.add_at(
            "note-title", "", tag_of("ConceptNameCodeSequence"), found=f"'{title.value[:32]}'"
        )
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


def _check_instances(dataset: Item, report: ObjectFindings) -> None:
    listed = {
        (one.text("ReferencedSOPClassUID"), one.text("ReferencedSOPInstanceUID"))
        for study in dataset.items("CurrentRequestedProcedureEvidenceSequence")
        for series in study.items("ReferencedSeriesSequence")
        for one in series.items("ReferencedSOPSequence")
    }
    for number, item in enumerate(dataset.items(_CONTENT), start=1):
        for place, one in enumerate(item.items("ReferencedSOPSequence"), start=1):
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
