"""A draft written as the session sheet that `archiver wrap` takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime, time
from typing import Any

import tomli_w

from archiver.archive.store import translated, write_whole
from archiver.errors import MeaningError, Problem, SheetError
from archiver.objects import (
    PATIENT,
    PHOTO,
    VISIT,
    Key,
    Patient,
    Session,
    SizeOf,
    Unfit,
    Visit,
    read_sheet,
)
from archiver.web.http_errors import Refused
from archiver.web.language import in_words
from archiver.web.pages.take_in.consent_fields import consent_table
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import Draft, Photo, taken_in
from archiver.wording import Text

NAME = "sheet.toml"
_DATES, _TIMES = ("date", "birth_date"), ("time",)


def read_table(which: str, given: Mapping[str, object]) -> dict[str, str]:
    """Check a patient or a visit as it was written by hand; return the texts that are not empty.

    Raises
    ------
    MeaningError
        With a problem, its place the key, for each value that cannot be.
    """
    keys = PATIENT if which == "patient" else VISIT
    kept: dict[str, str] = {}
    problems = []
    for name, value in given.items():
        text = value.strip() if isinstance(value, str) else None
        if name not in keys or text is None:
            raise Refused(422, "errors.malformed")
        if text:
            try:
                read = keys[name].convert(_value(name, text))
                kept[name] = text if name in (*_DATES, *_TIMES, "clock_offset") else str(read)
            except Unfit as unfit:
                problems.append(
                    Problem(
                        "web.take_in.unfit",
                        given=text[:60],
                        expected=unfit.expected,
                        hint=unfit.hint,
                    ).at(key=(name,), subject=name)
                )
    if problems:
        raise MeaningError(*problems)
    return kept


def _value(name: str, text: str) -> object:
    """Return a text as the value that TOML would give."""
    try:
        if name in _DATES:
            return date.fromisoformat(text)
        if name in _TIMES:
            return time.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        raise Unfit("web.take_in.date" if name in _DATES else "web.take_in.time") from None
    return text


def sheet_text(draft: Draft, photos: Iterable[Photo]) -> tuple[str, list[int]]:
    """Write the sheet.

    Returns
    -------
    tuple
        The TOML text, and the line on which each photograph begins.
    """
    head: dict[str, Any] = {
        "numbering": "ISO 3950",
        "patient": {**_typed(PATIENT, draft.patient), **draft.same_person},
        "visit": _typed(VISIT, draft.visit),
    }
    if draft.consent:
        head["consent"] = consent_table(draft.consent)
    text = tomli_w.dumps(head)
    starts = []
    for photo in photos:
        starts.append(text.count("\n") + 2)
        said = draft.of_photo(photo.digest)
        text += "\n" + _entry(photo, {key: said[key] for key in PHOTO if key in said})
    return text, starts


def _typed(keys: Mapping[str, Key], given: Mapping[str, str]) -> dict[str, object]:
    return {key: _value(key, given[key]) for key in keys if key in given}


def _entry(photo: Photo, said: Mapping[str, Any]) -> str:
    """Write an entry of its own, so that the line on which it begins is known."""
    tables = {key: value for key, value in said.items() if isinstance(value, dict)}
    values = {key: value for key, value in said.items() if key not in tables}
    if "confirmed_at" in values:
        values["confirmed_at"] = datetime.fromisoformat(values["confirmed_at"])
    text = "[[photo]]\n" + tomli_w.dumps({"file": f"files/{photo.file}", **values})
    for key, table in tables.items():
        text += f"[photo.{key}]\n" + tomli_w.dumps(table)
    return text


class NotReady(Exception):
    """A draft cannot be archived yet.

    Parameters
    ----------
    general
        What is wrong with patient or visit.
    of_photos
        By digest, what is wrong with a picture.
    """

    def __init__(self, general: list[str], of_photos: Mapping[str, list[str]]) -> None:
        super().__init__("the draft is not ready")
        self.general, self.of_photos = general, of_photos


def session_of(
    opened: Open, draft: Draft, *, size_of: SizeOf, habits: Mapping[str, object]
) -> tuple[Session, list[Photo]]:
    """Write a draft's sheet beside its files and read it as `archiver wrap` would.

    Returns
    -------
    tuple
        The session, and the pictures in the order of its entries.

    Raises
    ------
    NotReady
        With every problem of the sheet, each by the picture that it is about.
    ArchiveError
        If the sheet cannot be written.
    """
    photos = taken_in(draft, opened.photos)
    text, starts = sheet_text(draft, photos)
    path = opened.folder / NAME
    with translated(Text("web.take_in.sheet_not_written"), opened.folder.name):
        part = opened.folder / f"{NAME}.part"
        part.unlink(missing_ok=True)
        write_whole(part, [text.encode("utf-8")])
        part.replace(path)
    try:
        like = _like(draft)
        return read_sheet(path, size_of=size_of, like=like, habits=habits), photos
    except SheetError as error:
        raise _sorted(error, starts, photos) from None


def patient_of_draft(draft: Draft) -> Patient | None:
    """Return the patient of a draft; None where no identifier was entered yet."""
    if "id" not in draft.patient:
        return None
    return Patient(**{k: _read(PATIENT, k, v) for k, v in draft.patient.items()})


def _like(draft: Draft) -> tuple[Patient, Visit] | None:
    """Return patient and visit of the study that the pictures join, where there is one."""
    if not draft.study.get("study_uid") or "id" not in draft.patient or "date" not in draft.visit:
        return None
    patient = patient_of_draft(draft)
    assert patient is not None
    visit: dict[str, Any] = {k: _read(VISIT, k, v) for k, v in draft.visit.items()}
    return patient, Visit(**{**visit, **draft.study})


def _read(keys: Mapping[str, Key], key: str, text: str) -> Any:
    return keys[key].convert(_value(key, text))


def _sorted(error: SheetError, starts: list[int], photos: list[Photo]) -> NotReady:
    """Put each problem of a sheet to the picture whose lines it names."""
    general: list[str] = []
    of_photos: dict[str, list[str]] = {}
    for problem in error.problems:
        line = problem.place.line or 0
        at = sum(start <= line for start in starts) - 1
        words = describe_problem(problem.with_places(), photos)
        if at < 0:
            general.append(words)
        else:
            of_photos.setdefault(photos[at].digest, []).append(words)
    return NotReady(general, of_photos)


def describe_problem(problem: Problem, photos: Iterable[Photo]) -> str:
    """Return a problem in words, with a picture's name in place of the name of its file here."""
    words = in_words(problem)
    for photo in photos:
        words = words.replace(f"files/{photo.file}", photo.name).replace(photo.file, photo.name)
    return words
