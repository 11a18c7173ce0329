"""References to other instances against the list of them (PS3.3 C.12.2)."""

from __future__ import annotations

from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item, step_into
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_SERIES = "ReferencedSeriesSequence"
_STUDIES = "StudiesContainingOtherReferencedInstancesSequence"

# References to composite instances; those to studies, patients and steps are of another kind.
_REFERRING = (
    "SourceImageSequence",
    "ReferencedImageSequence",
    "ReferencedInstanceSequence",
    "SourceInstanceSequence",
)


def check_references(dataset: Item, report: ObjectFindings) -> None:
    """Check that instances referred to are listed once a list is there, and the other way round."""
    own = dataset.text("SOPInstanceUID")
    referred: dict[str, str] = {}
    for keyword in _REFERRING:
        for number, item in enumerate(dataset.items(keyword), start=1):
            uid = item.text("ReferencedSOPInstanceUID")
            if uid:
                step = step_into("", tag_of(keyword), number)
                referred.setdefault(uid, f"{step}ReferencedSOPInstanceUID (0008,1155)")
                if uid == own:
                    report.add(
                        "reference-to-itself",
                        referred[uid],
                        found=Text("standard.reference_rules.own_uid"),
                    )
    series = list(dataset.items(_SERIES))
    for study in dataset.items(_STUDIES):
        series.extend(study.items(_SERIES))
    listed = {
        instance.text("ReferencedSOPInstanceUID")
        for one in series
        for instance in one.items("ReferencedInstanceSequence")
    }
    if _SERIES not in dataset and _STUDIES not in dataset:
        return
    for uid, place in referred.items():
        if uid not in listed:
            report.add(
                "reference-unlisted",
                place,
                found=Text("standard.reference_rules.not_lists_referenced"),
            )
    if listed and not listed & referred.keys() and not _refers_elsewhere(dataset, listed):
        report.add_at(
            "reference-list-idle",
            "",
            tag_of(_SERIES),
            found=Text("standard.reference_rules.no_listed_instance"),
        )


def _refers_elsewhere(dataset: Item, listed: set[str]) -> bool:
    """Whether some other sequence, of an IOD that we have no table of, uses a listed instance."""
    for element in dataset:
        if element.tag in (tag_of(_SERIES), tag_of(_STUDIES)):
            continue
        if any(_mentions(item, listed) for item in element.items or ()):
            return True
    return False


def _mentions(item: Item, listed: set[str]) -> bool:
    if item.text("ReferencedSOPInstanceUID") in listed:
        return True
    return any(_mentions(nested, listed) for element in item for nested in element.items or ())
