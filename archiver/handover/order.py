"""What is asked for, and whether it may be handed over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal

from archiver.archive import Query, Record, RecordOrder
from archiver.archive.statements import demand, evidence, of_case, patient_of
from archiver.archive.store import Archive, identifier_doubt, keyed
from archiver.dentition import Numbering
from archiver.errors import InputError, Problem
from archiver.handover.case import Case
from archiver.handover.frames import Box
from archiver.handover.identifying_words import Identifying
from archiver.handover.masks import covered_share, mask_code
from archiver.handover.picture_selection import OutgoingPicture, candidates, renumbered
from archiver.handover.profiles import PurposeProfile, profile_of
from archiver.objects import Purpose
from archiver.wording import Text

#: What fits a line of the sheet, and a person's name (PS3.5 6.2).
_LONGEST = 64


@dataclass(frozen=True)
class PackageOrder:
    """What a package is to be.

    Parameters
    ----------
    query
        Which pictures; a patient at least.
    case
        The number that ties it to the patient.
    to
        For whom, in words.
    target
        The folder, or the ZIP file, that is to appear.
    zipped
        Whether it is one ZIP file.
    png
        Whether pictures are PNG rather than JPEG.
    paper
        Of the printed sheet.
    insisted_by
        Who takes doubtful pictures upon themselves; they are stamped then.
    without_doubtful
        Leave doubtful pictures out.
    with_faces
        The explicit say-so for extraoral pictures.
    uids
        Only these instances; empty for all that the query finds.
    masks
        Parts to be covered, by the number of the picture.
    marks
        Regions whose colours are compared, by the number of the picture.
    language
        Of the printed sheet, that for the browser, and words within pictures.
    numbering
        In which teeth are named first.
    masks_seen, masks_seen_by
        Codes of masked pictures that somebody has looked at, and who; see `masks.mask_code`.

    Raises
    ------
    InputError
        If no patient is named.
    """

    query: Query
    purpose: Purpose
    case: str
    to: str
    target: Path
    zipped: bool = False
    png: bool = False
    paper: Literal["a4", "letter"] = "a4"
    insisted_by: str = ""
    without_doubtful: bool = False
    with_faces: bool = False
    uids: frozenset[str] = frozenset()
    masks: Mapping[int, Sequence[Box]] = field(default_factory=dict)
    marks: Mapping[int, Sequence[Box]] = field(default_factory=dict)
    masks_seen: frozenset[str] = frozenset()
    masks_seen_by: str = ""
    language: Literal["en", "de"] = "en"
    numbering: Numbering = Numbering.ISO

    def __post_init__(self) -> None:
        if not self.query.patient_id:
            raise InputError(Problem("handover.order.no_patient"))


@dataclass(frozen=True)
class OrderedPictures:
    """Pictures that answer an order.

    Parameters
    ----------
    patient
        Identifier and issuer.
    pictures
        With their numbers in the package.
    left_out
        What is not among them, and why.
    """

    patient: tuple[str, str]
    profile: PurposeProfile
    pictures: tuple[OutgoingPicture, ...]
    left_out: tuple[Problem, ...]


def preview_package(archive: Archive, order: PackageOrder) -> OrderedPictures:
    """Choose the pictures of an order; nothing is refused yet.

    Raises
    ------
    InputError
        If there is no such patient, the identifier is that of several people, or no picture.
    """
    assert order.query.patient_id is not None
    patient = patient_of(archive, order.query.patient_id, order.query.issuer)
    with archive.reading() as connection:
        doubt = identifier_doubt(connection, archive.layout.root, patient)
    if doubt is not None:
        raise InputError(doubt)
    profile = profile_of(order.purpose)
    records = archive.query(order.query)
    if order.uids:
        records = [one for one in records if one.sop_instance_uid in order.uids]
        _demand_all(order.uids, records)
    found = candidates(archive.layout.root, records)
    kept, left = [], []
    for one in found:
        why = _why_out(one, order, profile)
        if why is not None:
            left.append(why.at(one.record.sop_instance_uid))
        else:
            kept.append(one)
    if not kept:
        raise InputError(Problem("handover.order.none_left"), *left)
    return OrderedPictures(patient, profile, tuple(renumbered(kept)), tuple(left))


def _demand_all(wanted: frozenset[str], records: Sequence[Record]) -> None:
    missing = wanted - {one.sop_instance_uid for one in records}
    if missing:
        raise InputError(
            *(Problem("handover.order.no_such_instance", uid=uid) for uid in sorted(missing))
        )


def _why_out(one: OutgoingPicture, order: PackageOrder, profile: PurposeProfile) -> Problem | None:
    if one.shows_face and profile.faces == "never":
        return Problem("handover.order.takes_no_face", purpose=order.purpose)
    if one.shows_face and not order.with_faces:
        return Problem("handover.order.shows_face")
    if one.doubts and order.without_doubtful:
        return Problem("handover.order.is_doubtful", doubts=[doubt.words for doubt in one.doubts])
    return None


def approve(
    archive: Archive,
    order: PackageOrder,
    chosen: OrderedPictures,
    today: date,
    *,
    with_identity: bool = False,
) -> Case:
    """Refuse what may not be handed over; else return its case.

    Parameters
    ----------
    archive
        Open for writing.
    with_identity
        Whether it says whose it is, so that nothing has to be hidden.

    Raises
    ------
    InputError
        If consent is missing, a picture is doubtful and nobody insists, a face is not masked
        where it must be, or the order itself names the patient.
    UsageError
        If the case number cannot be one.
    """
    layout = archive.layout
    evidence.demand_whole(layout.root, layout.journal, (evidence.CONSENTS, evidence.SECRET))
    missing = missing_consent(archive, order, chosen, today)
    if missing is not None:
        raise InputError(missing)
    secret = archive.secret()
    case = Case.of(order.case, chosen.patient, secret)
    problems = [*_of_order(archive, order, chosen, patient_token(secret, chosen.patient))]
    if not with_identity:
        problems += _identifying(order, chosen)
    for one in chosen.pictures:
        found = [*_of_picture(one, order), *([] if with_identity else _of_pixels(one, order))]
        problems += [problem.at(picture=one.number) for problem in found]
    problems += [
        Problem("handover.order.no_such_picture", number=number, most=len(chosen.pictures))
        for number in sorted({*order.masks, *order.marks})
        if not 1 <= number <= len(chosen.pictures)
    ]
    if order.target.exists() and (not order.target.is_dir() or any(order.target.iterdir())):
        problems.append(Problem("handover.order.already_there").at(file=str(order.target)))
    if problems:
        raise InputError(*problems)
    return case


def missing_consent(
    archive: Archive, order: PackageOrder, chosen: OrderedPictures, today: date
) -> Problem | None:
    """Return why no consent holds for the pictures of an order; None where one does."""
    root = archive.layout.root
    pictures = {one.record.sop_instance_uid: one.record.study_uid for one in chosen.pictures}
    try:
        demand(root, chosen.patient, order.purpose, today, to=order.to, pictures=pictures)
    except InputError as error:
        return error.problems[0]
    return None


def patient_token(secret: bytes, patient: tuple[str, str]) -> str:
    """Return what stands for a patient in the register."""
    return keyed(secret, "patient", *patient).hex()


def _of_order(
    archive: Archive, order: PackageOrder, chosen: OrderedPictures, token: str
) -> list[Problem]:
    problems = []
    others = [one for one in of_case(archive.layout.root, order.case) if one.patient != token]
    if others:
        problems.append(Problem("handover.order.others_case", case=order.case))
    if order.masks_seen and not order.masks_seen_by.strip("^ "):
        problems.append(Problem("handover.order.seen_by_whom"))
    people = (("insists", order.insisted_by), ("saw", order.masks_seen_by))
    for name, words in (("addressee", order.to), *people):
        if len(words) > _LONGEST or not words.isprintable():
            given = {"name": Text(f"handover.order.name.{name}"), "given": repr(words[:80])}
            problems.append(Problem("handover.order.unprintable", **given, most=_LONGEST))
    return problems


def _identifying(order: PackageOrder, chosen: OrderedPictures) -> list[Problem]:
    known = known_words(chosen)
    return [
        Problem("handover.order.identifies", name=Text(f"handover.order.name.{name}"))
        for name, words in (("case", order.case), ("addressee", order.to))
        if known.is_in(words)
    ]


def known_words(chosen: OrderedPictures) -> Identifying:
    """Return the words of all pictures' patient that may not go out."""
    texts = [*chosen.patient]
    for one in chosen.pictures:
        record, description = one.record, one.description
        texts += [record.patient_name, record.patient_id, record.accession, description.birth_date]
    return Identifying.of(texts)


def _of_picture(one: OutgoingPicture, order: PackageOrder) -> list[Problem]:
    problems = []
    if one.doubts and not order.insisted_by:
        problems = [Problem("handover.order.doubtful", doubt=doubt.words) for doubt in one.doubts]
    frames = one.description.frames
    if frames is not None and frames > 1:
        problems.append(Problem("handover.order.frames", frames=frames))
    return problems


def _of_pixels(one: OutgoingPicture, order: PackageOrder) -> list[Problem]:
    problems = []
    boxes = order.masks.get(one.number, ())
    profile, masked = profile_of(order.purpose), bool(boxes)
    if one.burned_in and not masked:
        problems.append(Problem("handover.order.burned_in"))
    if one.shows_face and profile.faces == "masked":
        share = covered_share(one, boxes)
        if not masked:
            problems.append(Problem("handover.order.mask_face", purpose=order.purpose))
        elif share < profile.masked_share:
            figures = {"share": f"{100 * share:.1f}", "least": f"{100 * profile.masked_share:.0f}"}
            small = Problem("handover.order.mask_small", **figures, purpose=order.purpose)
            problems.append(small)
        elif (code := mask_code(one, boxes)) not in order.masks_seen:
            problems.append(Problem("handover.order.mask_unseen", code=code))
    return problems


def first_visit(archive: Archive, patient: tuple[str, str]) -> str:
    """Return the day of a patient's first photographs, ISO 8601."""
    query = Query(
        patient_id=patient[0], issuer=patient[1], modality="XC", order=RecordOrder.OLDEST, limit=1
    )
    found = archive.query(query)
    return found[0].study_date if found else ""
