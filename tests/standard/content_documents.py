"""Good documents with a content tree, and mutants of their structure."""

from __future__ import annotations

import copy
import warnings
from collections.abc import Callable, Iterator
from datetime import datetime, timezone

from mutations import Mutation, mutations
from pydicom import Dataset
from pydicom.sequence import Sequence
from standard_photograph import photograph

from archiver.objects import concepts, key_objects, part10
from archiver.objects.uids import DerivedUids


def key_object_selection() -> Dataset:
    """A note with every kind of item that TID 2010 has for us: modifier, observer, words."""
    wrong = photograph()
    told = key_objects.Note(
        concepts.REJECTED_FOR_QUALITY,
        (key_objects.referenced(wrong),),
        "blurred",
        (concepts.QUALITY_REASONS["111210"],),
        by="Haugen^Liv",
    )
    made = datetime(2026, 3, 5, tzinfo=timezone.utc)
    return key_objects.build(told, wrong, created=made, uids=DerivedUids())


def code(value: str, meaning: str, scheme: str = "DCM") -> Sequence:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return Sequence([item])


def item(relationship: str, value_type: str, name: Sequence | None, **values: object) -> Dataset:
    ds = Dataset()
    ds.RelationshipType, ds.ValueType = relationship, value_type
    if name is not None:
        ds.ConceptNameCodeSequence = name
    for keyword, value in values.items():
        setattr(ds, keyword, value)
    return ds


def report() -> Dataset:
    """An Enhanced SR with an item of most value types, in a container within the root."""
    ds = copy.deepcopy(key_object_selection())
    ds.SOPClassUID, ds.Modality = "1.2.840.10008.5.1.4.1.1.88.22", "SR"
    ds.SOPInstanceUID = "2.25.7"
    del ds.ContentTemplateSequence
    ds.CompletionFlag, ds.VerificationFlag = "COMPLETE", "UNVERIFIED"
    ds.PerformedProcedureCodeSequence = []
    ds.ConceptNameCodeSequence = code("121060", "History")
    evidence = ds.CurrentRequestedProcedureEvidenceSequence[0]
    instance = copy.deepcopy(evidence.ReferencedSeriesSequence[0].ReferencedSOPSequence[0])
    measured = Dataset()
    measured.NumericValue = "9.5"
    measured.MeasurementUnitsCodeSequence = code("mm", "mm", "UCUM")
    name = code("121106", "Comment")
    inner = item(
        "CONTAINS", "CONTAINER", code("121070", "Findings"), ContinuityOfContent="SEPARATE"
    )
    inner.ContentSequence = [
        item("CONTAINS", "TEXT", name, TextValue="seen"),
        item("CONTAINS", "NUM", name, MeasuredValueSequence=[measured]),
        item("CONTAINS", "CODE", name, ConceptCodeSequence=code("121098", "Verifying")),
        item("CONTAINS", "DATE", name, Date="20260304"),
        item("CONTAINS", "TIME", name, Time="142000"),
        item("CONTAINS", "DATETIME", name, DateTime="20260304142000"),
        item("CONTAINS", "UIDREF", name, UID="1.2.3"),
        item("CONTAINS", "PNAME", name, PersonName="Haugen^Liv"),
        item("CONTAINS", "IMAGE", None, ReferencedSOPSequence=[instance]),
    ]
    ds.ContentSequence = [inner]
    return ds


#: Value types whose relationships differ.
VALUE_TYPES = ("TEXT", "NUM", "CODE", "DATE", "PNAME", "IMAGE", "WAVEFORM", "COMPOSITE",
               "SCOORD", "TCOORD", "CONTAINER")  # fmt: skip
RELATIONSHIPS = ("CONTAINS", "HAS PROPERTIES", "HAS OBS CONTEXT", "HAS ACQ CONTEXT",
                 "INFERRED FROM", "SELECTED FROM", "HAS CONCEPT MOD")  # fmt: skip


def related(sop_class: str, above: str, relationship: str, below: str) -> Dataset:
    """A report in which an item of one type holds one of another."""
    ds = report()
    ds.SOPClassUID = sop_class
    holding = ds
    ds.ContentSequence = []
    if above != "CONTAINER":
        holding = _of_type("CONTAINS", above)
        ds.ContentSequence = [holding]
    inner = _of_type(relationship, below)
    holding.ContentSequence = [*holding.get("ContentSequence", ()), inner]
    # Evidence of all that may be referred to.
    ds.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence[
        0
    ].ReferencedSOPSequence = [_instance(kind) for kind in _CLASSES]
    return ds


_CLASSES = {"IMAGE": "1.2.840.10008.5.1.4.1.1.77.1.4", "WAVEFORM": "1.2.840.10008.5.1.4.1.1.9.1.1",
            "COMPOSITE": "1.2.840.10008.5.1.4.1.1.66"}  # fmt: skip


def _instance(kind: str) -> Dataset:
    ds = Dataset()
    ds.ReferencedSOPClassUID, ds.ReferencedSOPInstanceUID = _CLASSES[kind], "2.25.70"
    return ds


def _of_type(relationship: str, kind: str) -> Dataset:
    name = code("121106", "Comment")
    measured = Dataset()
    measured.NumericValue = "9.5"
    measured.MeasurementUnitsCodeSequence = code("mm", "mm", "UCUM")
    values: dict[str, dict[str, object]] = {
        "TEXT": {"TextValue": "words"},
        "NUM": {"MeasuredValueSequence": [measured]},
        "CODE": {"ConceptCodeSequence": code("121098", "Verifying")},
        "DATE": {"Date": "20260304"},
        "PNAME": {"PersonName": "Haugen^Liv"},
        "SCOORD": {"GraphicType": "POINT", "GraphicData": [1.0, 1.0]},
        "TCOORD": {"TemporalRangeType": "POINT", "ReferencedSamplePositions": [1]},
        "CONTAINER": {"ContinuityOfContent": "SEPARATE"},
    }
    if kind in _CLASSES:
        return item(relationship, kind, name, ReferencedSOPSequence=[_instance(kind)])
    made = item(relationship, kind, name, **values[kind])
    if kind in ("SCOORD", "TCOORD"):
        made.ContentSequence = [
            _of_type("SELECTED FROM", "IMAGE" if kind == "SCOORD" else "WAVEFORM")
        ]
    return made


#: What somebody could do to the tree, by name.
CHANGES: dict[str, Callable[[Dataset], object]] = {
    "root relation": lambda ds: setattr(ds, "RelationshipType", "CONTAINS"),
    "root text": lambda ds: setattr(ds, "ValueType", "TEXT"),
    "continuity": lambda ds: setattr(ds, "ContinuityOfContent", "MAYBE"),
    "unknown value type": lambda ds: setattr(ds.ContentSequence[-1], "ValueType", "PICTURE"),
    "unknown relation": lambda ds: setattr(ds.ContentSequence[-1], "RelationshipType", "NEAR"),
    "wrong relation": lambda ds: setattr(
        ds.ContentSequence[-1], "RelationshipType", "HAS CONCEPT MOD"
    ),
    "contains code": lambda ds: ds.ContentSequence.append(
        item("CONTAINS", "SCOORD", code("121106", "Comment"), GraphicType="POINT",
             GraphicData=[1.0, 1.0])
    ),
    "empty evidence": lambda ds: setattr(ds, "CurrentRequestedProcedureEvidenceSequence", []),
    "evidence lacks it": lambda ds: setattr(
        ds.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence[0]
        .ReferencedSOPSequence[0], "ReferencedSOPInstanceUID", "1.2.3.4",
    ),
    "evidence of no study": lambda ds: delattr(
        ds.CurrentRequestedProcedureEvidenceSequence[0], "StudyInstanceUID"
    ),
    "by reference": lambda ds: ds.ContentSequence.append(by_reference()),
    "nested container": lambda ds: ds.ContentSequence.append(
        item("CONTAINS", "CONTAINER", code("121070", "Findings"), ContinuityOfContent="SEPARATE")
    ),
    "text twice": lambda ds: ds.ContentSequence.extend(
        item("CONTAINS", "TEXT", code("113012", "Key Object Description"), TextValue=words)
        for words in ("one", "two")
    ),
    "other text": lambda ds: ds.ContentSequence.append(
        item("CONTAINS", "TEXT", code("121106", "Comment"), TextValue="words")
    ),
    "other template": lambda ds: setattr(
        ds, "ContentTemplateSequence", [template("2000")]
    ),
    "device without uid": lambda ds: ds.ContentSequence.append(
        item("HAS OBS CONTEXT", "CODE", code("121005", "Observer Type"),
             ConceptCodeSequence=code("121007", "Device"))
    ),
    "two values in one": lambda ds: ds.ContentSequence[0].update({"TextValue": "too"}),
}  # fmt: skip


def by_reference() -> Dataset:
    ds = Dataset()
    ds.RelationshipType, ds.ReferencedContentItemIdentifier = "CONTAINS", [1, 1]
    return ds


def template(number: str) -> Dataset:
    ds = Dataset()
    ds.MappingResource, ds.TemplateIdentifier = "DCMR", number
    return ds


def file_of(ds: Dataset) -> bytes:
    """Return the file of a document; what pydicom thinks of a mutant is not what is tested."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return part10.whole(ds)


def spoilt(good: Dataset) -> Iterator[Mutation]:
    """Every attribute deleted, emptied and corrupted in turn, and the tree changed."""
    yield from mutations(good)
    for name, change in CHANGES.items():
        ds = copy.deepcopy(good)
        change(ds)
        yield Mutation("tree", name, ds)
