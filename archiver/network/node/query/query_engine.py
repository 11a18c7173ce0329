"""Questions of the Query/Retrieve information model, answered from the index (PS3.4 C.4.1).

The index narrows down in SQL what it can; whether a candidate answers is then decided in one
place, `matching`, for all kinds of keys. Attributes that the index does not keep are read from
the headers of the candidates.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydicom import DataElement, Dataset
from pydicom.config import IGNORE
from pydicom.datadict import dictionary_VR, keyword_for_tag, tag_for_keyword
from pydicom.tag import BaseTag, Tag
from sqlalchemy import ColumnElement, Select, and_, func, or_, select, tuple_

from archiver.access import EVERYTHING, Scope
from archiver.archive.store import Archive, iso_date, like_pattern
from archiver.archive.store import tables as t
from archiver.errors import ObjectError
from archiver.network.node.query.information_model import (
    ATTRIBUTES,
    IN_HEADERS,
    NOT_KEYS,
    UNKNOWN_ANSWERS,
)
from archiver.network.node.query.matching import (
    BadKeyError,
    bounds,
    check_key,
    is_given,
    matches,
    texts,
)
from archiver.network.query_level import Level
from archiver.objects import name_key, open_dataset
from archiver.wording import Text

_I, _P = t.instances.c, t.patients.c
_ENTITY = {
    Level.PATIENT: (_P.patient_id, _P.issuer),
    Level.STUDY: (_I.study_uid,),
    Level.SERIES: (_I.study_uid, _I.series_uid),
}
_DATES = {"StudyDate", "PatientBirthDate"}
_TIMES = {"StudyTime"}
_FETCHED = 256


@dataclass(frozen=True)
class Answer:
    """An entity that matches.

    Parameters
    ----------
    attributes
        Every attribute that was asked for and is known, and the unique keys of its level and of
        those above.
    path
        The file of its first object.
    """

    attributes: Dataset
    path: Path


class BadQuestionError(Exception):
    """The keys do not fit the level or the model (status A900)."""


@dataclass(frozen=True)
class QueryQuestion:
    """What is asked.

    Parameters
    ----------
    level
        Of the entities that are wanted.
    keys
        The identifier; attributes without value are only to be returned.
    """

    level: Level
    keys: Dataset

    def supported(self) -> tuple[list[DataElement], bool]:
        """Return the keys that can be answered, and whether those are all."""
        found, unsupported = [], False
        for element in self.keys:
            keyword = element.keyword or keyword_for_tag(element.tag)
            if keyword in NOT_KEYS or element.tag.element == 0:
                continue
            if self._knows(keyword):
                found.append(element)
            else:
                unsupported = True
        return found, not unsupported

    def _knows(self, keyword: str) -> bool:
        known = ATTRIBUTES.get(keyword)
        levels = (*self.level.above, self.level)
        if known is not None:
            # What is counted or gathered is so for the entities that are asked for, not above.
            here = known.level is self.level
            return here or (known.level in levels and known.column is not None)
        return self.level is Level.IMAGE or keyword in IN_HEADERS[self.level]


def check_hierarchy(question: QueryQuestion, top: Level) -> None:
    """Refuse what the hierarchical search method does not allow (PS3.4 C.4.1.3.1.1).

    Parameters
    ----------
    top
        The highest level of the model; in Study Root the patient is part of the study.

    Raises
    ------
    BadQuestionError
        If the level is above the model, or a unique key above is missing or no single value.
    """
    levels = list(Level)
    if levels.index(question.level) < levels.index(top):
        raise BadQuestionError(Text("network.query.level", level=question.level.value))
    for level in question.level.above:
        if levels.index(level) < levels.index(top):
            continue
        values = texts(question.keys.get(tag_for_keyword(level.unique_key) or 0))
        wild = level is Level.PATIENT and any(c in "*?" for v in values for c in v)
        if len(values) != 1 or wild:
            raise BadQuestionError(Text("network.query.single", key=level.unique_key))


class TooWideQuestionError(Exception):
    """More headers would have to be read than one question may have; what was found is given."""


def find(
    archive: Archive, question: QueryQuestion, most_headers: int, scope: Scope = EVERYTHING
) -> Iterator[Answer]:
    """Yield an answer for every entity that matches, last stored first.

    Parameters
    ----------
    archive
        Open for reading.
    question
        Its keys may be of its own level and of those above.
    most_headers
        Headers that are read for values asked for that the index does not keep.
    scope
        Of whoever asks; what is beyond it is neither found nor counted.

    Yields
    ------
    Answer

    Raises
    ------
    BadQuestionError
        If a key cannot be understood.
    TooWideQuestionError
        If there are more than `most_headers` to be read.
    """
    keys, _ = question.supported()
    asked = {element.keyword for element in keys}
    beyond = [k for k in keys if k.keyword not in ATTRIBUTES]
    # Read only to be returned they are as many as the answers, which whoever asks can end.
    left = most_headers if any(is_given(k) for k in beyond) else -1
    # Keys without a value are answered by everything; most are such.
    telling = [
        (k, k.keyword in UNKNOWN_ANSWERS) for k in keys if k.keyword in ATTRIBUTES and texts(k)
    ]
    try:
        for key in keys:
            check_key(key)
        statement = _statement(question.level, keys, scope)
        with archive.reading() as connection:
            rows = connection.execution_options(yield_per=_FETCHED).execute(statement).mappings()
            for row in rows:
                entity = _entity(row, question.level, asked)
                if not all(matches(k, entity, required=needed) for k, needed in telling):
                    continue
                path = archive.layout.path_of(row["path"])
                if beyond and left == 0:
                    raise TooWideQuestionError
                left -= 1
                if beyond and not _complete(entity, path, beyond):
                    continue
                yield Answer(entity, path)
    except BadKeyError as error:
        raise BadQuestionError(*error.args) from error


def _complete(entity: Dataset, path: Path, beyond: list[DataElement]) -> bool:
    """Add attributes from the header; False where a key does not match or it cannot be read."""
    header = read_header(path, [int(k.tag) for k in beyond])
    if header is None or not all(matches(k, header) for k in beyond):
        return False
    for key in beyond:
        if key.tag in header:
            entity[key.tag] = header[key.tag]
        else:
            entity.add(_without_value(key.keyword))
    return True


def read_header(path: Path, tags: list[int] | None = None) -> Dataset | None:
    """Read an object without its pixels; None where the file cannot be read.

    Texts come decoded to Unicode, whatever character set the object is in.
    """
    wanted = None if tags is None else [*tags, 0x00080005]
    try:
        return open_dataset(path, tags=wanted, decoded=True)
    except ObjectError:
        # `archiver rebuild` finds such files.
        return None


def _statement(level: Level, keys: list[DataElement], scope: Scope) -> Select[Any]:
    """Select the entities, each with its first object and its counts."""
    joined = t.instances.join(t.patients, _I.patient == _P.number)
    conditions = [c for key in keys if (c := condition(key)) is not None]
    # What a rejection note names is neither found nor counted; the notes themselves are.
    valid = and_(_I.rejected.is_(None), *scope.conditions())
    columns = [
        attribute.column.label(keyword)
        for keyword, attribute in ATTRIBUTES.items()
        if attribute.column is not None
    ]
    if level is Level.IMAGE:
        return (
            select(*columns, _I.path)
            .select_from(joined)
            .where(valid, *conditions)
            .order_by(_I.number.desc())
        )
    entity = _ENTITY[level]
    if level is Level.PATIENT:
        # Who has no identifier is no entity of this level (PS3.4 C.2.2.1.1), and not one person.
        conditions.append(_P.patient_id != "")
    matching = select(*entity).select_from(joined).where(valid, *conditions)
    gathered = select(
        func.min(_I.number).label("first"),
        func.count(_I.study_uid.distinct()).label("studies"),
        func.count(_I.series_uid.distinct()).label("series"),
        func.count().label("instances"),
        func.group_concat(_I.modality.distinct()).label("modalities"),
        func.group_concat(_I.sop_class_uid.distinct()).label("classes"),
    )
    gathered = gathered.select_from(joined).where(valid)
    if conditions:
        members = entity[0] if len(entity) == 1 else tuple_(*entity)
        gathered = gathered.where(members.in_(matching.distinct()))
    counted = gathered.group_by(*entity).subquery("counted")
    together = joined.join(counted, counted.c.first == _I.number)
    extra = [c for c in counted.c if c.name != "first"]
    return select(*columns, _I.path, *extra).select_from(together).order_by(_I.number.desc())


def condition(key: DataElement) -> ColumnElement[bool] | None:
    """Narrow a key down in SQL; what this lets through is looked at again.

    A unique key without wildcards needs no second look: C-GET and C-MOVE go by this alone.
    """
    attribute = ATTRIBUTES.get(key.keyword)
    wanted = texts(key)
    if attribute is None or not wanted or wanted == ["*"]:
        return None
    column = attribute.column
    if key.keyword == "ModalitiesInStudy":
        return _plain(_I.modality, wanted)
    if column is None:
        return None
    empty_too = key.keyword in UNKNOWN_ANSWERS
    if key.keyword == "PatientName":
        # The key of a name is folded as `matching` folds it; groups may stand anywhere in it.
        parts = [group for one in wanted for group in name_key(one).split("=") if group]
        if not parts:
            return None
        found = _name_condition(parts)
    elif key.keyword in _DATES:
        found = or_(*(_date_condition(column, one) for one in wanted))
    elif key.keyword in _TIMES or key.VR in ("IS", "US", "PN"):
        return None
    else:
        found = _plain(column, wanted)
    return or_(found, column == "") if empty_too else found


def _plain(column: ColumnElement[Any], wanted: list[str]) -> ColumnElement[bool]:
    exact = [one for one in wanted if "*" not in one and "?" not in one]
    conditions = [column.in_(exact)] if exact else []
    conditions += [
        column.like(like_pattern(one), escape="\\") for one in wanted if one not in exact
    ]
    return or_(*conditions)


def _name_condition(parts: list[str]) -> ColumnElement[bool]:
    numbers = select(_P.number).where(
        or_(*(_P.name_key.like(f"%{like_pattern(part)}%", escape="\\") for part in parts))
    )
    return _I.patient.in_(numbers)


def _date_condition(column: ColumnElement[Any], wanted: str) -> ColumnElement[bool]:
    low, high = bounds(wanted)
    conditions = []
    if low:
        conditions.append(column >= iso_date(low))
    if high:
        conditions.append(column <= iso_date(high))
    return and_(*conditions)


@functools.cache
def _named(keyword: str) -> tuple[BaseTag, str]:
    """Return tag and value representation of a keyword."""
    tag = tag_for_keyword(keyword)
    assert tag is not None
    return Tag(tag), dictionary_VR(tag)


def _without_value(keyword: str) -> DataElement:
    tag, vr = _named(keyword)
    return DataElement(tag, vr, [] if vr == "SQ" else None)


def _entity(row: Any, level: Level, asked: set[str]) -> Dataset:
    """Make an answer from a row: what was asked for and the unique keys."""
    levels = (*level.above, level)
    wanted = asked | {one.unique_key for one in levels}
    answer = Dataset()
    for keyword in wanted:
        attribute = ATTRIBUTES.get(keyword)
        if attribute is None or attribute.level not in levels:
            continue
        value = row[attribute.gathered or keyword]
        if keyword in _DATES:
            value = (value or "").replace("-", "")
        elif keyword in _TIMES:
            value = (value or "").replace(":", "")
        elif keyword in ("ModalitiesInStudy", "SOPClassesInStudy"):
            value = sorted(str(value or "").split(","))
        tag, vr = _named(keyword)
        if value is None or value == "":
            element = _without_value(keyword)
        elif vr == "PN" or isinstance(value, list) or (type(value) is str and "\\" in value):
            element = DataElement(tag, vr, value, validation_mode=IGNORE)
        else:
            # The index keeps values as objects had them; to convert and check each again takes
            # longer than to find it.
            element = DataElement(tag, vr, value, already_converted=True)
        answer.add(element)
    return answer
