"""The earlier pictures that a single one is compared with."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from archiver.archive import Query, Record
from archiver.dentition import View
from archiver.objects import Person
from archiver.priors.choosing import Ask, both_show, teeth_of
from archiver.priors.picture_softness import softness


def earlier_of(ask: Ask, record: Record, most: int) -> list[Record]:
    """Return one picture a visit of the same tooth and view before this one, the newest first.

    Of several in a visit a corrected one goes before one as shot, then the sharpest.

    Parameters
    ----------
    ask
        Answers questions for records whose paths are files.
    record
        The picture that they are earlier than.
    most
        Pictures at most.
    """
    same = Query(
        patient_id=record.patient_id,
        issuer=record.issuer,
        teeth=teeth_of(record),
        until=record.study_date or None,
        modality="XC",
    )
    visits: dict[str, list[Record]] = {}
    for one in ask(same):
        same_person = not Person(one.patient_name).contradicts(Person(record.patient_name))
        if same_person and _is_earlier(one, record) and _shows_the_same(one, record):
            visits.setdefault(one.study_uid, []).append(one)
    return [_best(several) for several in visits.values()][:most]


def _is_earlier(one: Record, than: Record) -> bool:
    when, now = (one.study_date, one.study_time), (than.study_date, than.study_time)
    return one.study_uid != than.study_uid and when < now


def _shows_the_same(one: Record, other: Record) -> bool:
    return both_show(_sight(one), _sight(other))


def _sight(record: Record) -> tuple[View | None, tuple[str, ...]]:
    return View(record.view) if record.view else None, record.teeth


def _best(several: Sequence[Record]) -> Record:
    derived = [one for one in several if one.role == "derived"] or list(several)
    if len(derived) == 1:
        return derived[0]
    return min(derived, key=lambda one: (softness(Path(one.path)), one.sop_instance_uid))
