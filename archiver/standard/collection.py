"""Objects against each other: sources, originals, studies of two patients, UIDs used twice."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from archiver.standard.clinical import check_turn
from archiver.standard.depiction import Depiction, SourceImage, depiction_of
from archiver.standard.elements import Item
from archiver.standard.finding import Finding
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_UID_AT = "SOPInstanceUID (0008,0018)"


@dataclass(frozen=True)
class CollectedHeader:
    """What the rules on several objects need of one. Small: many are kept at a time."""

    path: str
    uid: str
    sop_class: str
    patient: tuple[str, str]
    person: tuple[str, ...]
    study: str
    series: str
    modality: str
    depiction: Depiction
    source_classes: tuple[str, ...]


def header_of(dataset: Item, path: str) -> CollectedHeader:
    """Read the header of an object."""
    return CollectedHeader(
        path,
        dataset.text("SOPInstanceUID"),
        dataset.text("SOPClassUID"),
        (dataset.text("PatientID"), dataset.text("IssuerOfPatientID")),
        tuple(dataset.text(k) for k in ("PatientName", "PatientBirthDate", "PatientSex")),
        dataset.text("StudyInstanceUID"),
        dataset.text("SeriesInstanceUID"),
        dataset.text("Modality"),
        depiction_of(dataset),
        tuple(s.text("ReferencedSOPClassUID") for s in dataset.items("SourceImageSequence")),
    )


def check_collection(
    headers: Sequence[CollectedHeader], *, complete: bool, digest: Callable[[str], bytes]
) -> list[Finding]:
    """Check objects against each other.

    Parameters
    ----------
    headers
        Of all objects looked at.
    complete
        Whether they were asked for as a whole (a folder), so that an absent source is an error.
    digest
        Gives a digest of the content of the file at a path; only called for UIDs used twice.
    """
    findings: list[Finding] = []
    by_uid: dict[str, CollectedHeader] = {}
    for header in headers:
        by_uid.setdefault(header.uid, header)
    for header in headers:
        report = ObjectFindings(header.path)
        first = by_uid[header.uid]
        if header.uid and first is not header:
            same = digest(first.path) == digest(header.path)
            rule = "instance-twice" if same else "instance-differs"
            report.add(rule, _UID_AT, found=Text("standard.collection.uid_too", path=first.path))
        if header.modality == "XC":
            _check_sources(header, by_uid, complete, report)
        findings += report.findings
    findings += _check_groups(headers)
    return findings


def _check_sources(
    header: CollectedHeader,
    by_uid: dict[str, CollectedHeader],
    complete: bool,
    report: ObjectFindings,
) -> None:
    for source, sop_class in zip(header.depiction.sources, header.source_classes, strict=False):
        place = f"{source.prefix}ReferencedSOPInstanceUID (0008,1155)"
        found = by_uid.get(source.uid)
        if found is None:
            rule = "source-absent" if complete else "source-not-looked-at"
            report.add(rule, place, found=Text("standard.collection.instance_not_among"))
            continue
        if found.patient != header.patient:
            report.add(
                "source-of-other-patient",
                place,
                found=Text("standard.collection.another_patient", path=found.path),
            )
        if found.study != header.study:
            report.add(
                "source-of-other-study",
                place,
                found=Text("standard.collection.another_study", path=found.path),
            )
        if sop_class and sop_class != found.sop_class:
            at = f"{source.prefix}ReferencedSOPClassUID (0008,1150)"
            report.add("source-class-contradicts", at, found=sop_class, expected=found.sop_class)
        _check_likeness(header.depiction, found.depiction, source, report)
    if header.depiction.sources and not _leads_to_original(header, by_uid, complete):
        report.add(
            "original-not-kept",
            "ImageType (0008,0008)",
            found=Text("standard.collection.no_original_at"),
        )


def _check_likeness(
    ours: Depiction, theirs: Depiction, source: SourceImage, report: ObjectFindings
) -> None:
    place = f"{source.prefix}PatientOrientation (0020,0020)"
    if source.orientation is not None and theirs.orientation not in (None, source.orientation):
        report.add(
            "source-orientation-contradicts",
            place,
            found=str(source.orientation),
            expected=Text("standard.collection.source_says_itself", orientation=theirs.orientation),
        )
    if source.orientation is None and theirs.orientation is not None:
        check_turn(ours, theirs.orientation, source, report)
    pairs = (
        (
            Text("standard.collection.teeth"),
            {str(n.tooth) for n in ours.teeth},
            {str(n.tooth) for n in theirs.teeth},
        ),
        (Text("standard.collection.side"), ours.laterality, theirs.laterality),
        (Text("standard.collection.view"), ours.view, theirs.view),
    )
    for name, mine, other in pairs:
        if mine != other:
            at = f"{source.prefix}ReferencedSOPInstanceUID (0008,1155)"
            report.add(
                "source-shows-other",
                at,
                found=Text("standard.collection.source_whose_differs", name=name),
            )


def _leads_to_original(
    header: CollectedHeader, by_uid: dict[str, CollectedHeader], complete: bool
) -> bool:
    """Whether the chain of sources ends at an ORIGINAL; one that leaves the set is not judged."""
    seen: set[str] = set()
    waiting = [header]
    while waiting:
        one = waiting.pop()
        if one.depiction.image_type == "ORIGINAL":
            return True
        if one.uid in seen:
            continue
        seen.add(one.uid)
        for source in one.depiction.sources:
            if source.uid not in by_uid:
                return True
            waiting.append(by_uid[source.uid])
    return False


def _check_groups(headers: Iterable[CollectedHeader]) -> list[Finding]:
    """Check that studies and series hold together, and that a patient is told alike."""
    studies: dict[str, CollectedHeader] = {}
    series: dict[str, CollectedHeader] = {}
    patients: dict[tuple[str, str], CollectedHeader] = {}
    findings: list[Finding] = []
    told: defaultdict[str, set[str]] = defaultdict(set)
    for header in headers:
        report = ObjectFindings(header.path)
        study = studies.setdefault(header.study, header)
        if header.study and study.patient != header.patient and header.study not in told["study"]:
            told["study"].add(header.study)
            at = "StudyInstanceUID (0020,000D)"
            report.add(
                "study-of-two-patients",
                at,
                found=Text("standard.collection.study_too", path=study.path),
            )
        one = series.setdefault(header.series, header)
        differs = (one.study, one.modality) != (header.study, header.modality)
        if header.series and differs and header.series not in told["series"]:
            told["series"].add(header.series)
            at = "SeriesInstanceUID (0020,000E)"
            report.add(
                "series-of-two-studies",
                at,
                found=Text("standard.collection.series_too", path=one.path),
            )
        first = patients.setdefault(header.patient, header)
        if header.patient[0] and first.person != header.person:
            at = "PatientID (0010,0020)"
            report.add(
                "patient-contradicts",
                at,
                found=Text("standard.collection.other_values_than", path=first.path),
            )
        findings += report.findings
    return findings
