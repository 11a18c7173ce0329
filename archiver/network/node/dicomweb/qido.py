"""QIDO-RS (PS3.18 10.6): the same questions as C-FIND, at any level, answered in DICOM JSON."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from typing import Any

from pydicom import DataElement, Dataset
from pydicom.config import IGNORE
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.multival import MultiValue
from pydicom.tag import BaseTag, Tag
from starlette.requests import Request

from archiver.access import Scope
from archiver.archive.store import Archive
from archiver.network.node.ingest import is_uid
from archiver.network.node.query.query_engine import (
    Answer,
    QueryQuestion,
    TooWideQuestionError,
    find,
)
from archiver.network.query_level import Level
from archiver.wording import Text

#: PS3.18 tables 10.6.3-3 to 10.6.3-5: what is returned without being asked for.
RETURNED: dict[Level, tuple[str, ...]] = {
    Level.PATIENT: (),
    Level.STUDY: (
        "StudyDate",
        "StudyTime",
        "AccessionNumber",
        "ModalitiesInStudy",
        "ReferringPhysicianName",
        "PatientName",
        "PatientID",
        "PatientBirthDate",
        "PatientSex",
        "StudyInstanceUID",
        "StudyID",
        "NumberOfStudyRelatedSeries",
        "NumberOfStudyRelatedInstances",
    ),
    Level.SERIES: (
        "Modality",
        "SeriesDescription",
        "SeriesInstanceUID",
        "SeriesNumber",
        "NumberOfSeriesRelatedInstances",
    ),
    Level.IMAGE: (
        "SOPClassUID",
        "SOPInstanceUID",
        "InstanceNumber",
        "Rows",
        "Columns",
        "BitsAllocated",
        "NumberOfFrames",
        "AvailableTransferSyntaxUID",
    ),
}
#: With ``includefield=all`` these are added.
MORE: dict[Level, tuple[str, ...]] = {
    Level.PATIENT: (),
    Level.STUDY: ("StudyDescription", "IssuerOfPatientID", "SOPClassesInStudy"),
    Level.SERIES: (
        "BodyPartExamined",
        "Laterality",
        "PerformedProcedureStepStartDate",
        "PerformedProcedureStepStartTime",
        "RequestAttributesSequence",
    ),
    Level.IMAGE: (
        "ImageType",
        "ContentDate",
        "ContentTime",
        "ImageLaterality",
        "PatientOrientation",
        "AnatomicRegionSequence",
        "PrimaryAnatomicStructureSequence",
        "ViewCodeSequence",
    ),
}
#: Counts of an entity above the one that is asked for are not gathered.
_COUNTED = {
    "ModalitiesInStudy",
    "SOPClassesInStudy",
    "NumberOfStudyRelatedSeries",
    "NumberOfStudyRelatedInstances",
    "NumberOfSeriesRelatedInstances",
}
_SPECIAL = ("fuzzymatching", "emptyvaluematching", "multiplevaluematching")
MOST = 5000


class BadQueryError(Exception):
    """A parameter cannot be understood (status 400)."""


@dataclass(frozen=True)
class WebQuery:
    """A question as it came over the web.

    Parameters
    ----------
    question
        For `find`.
    limit, offset
        Of the answers.
    warnings
        What is told in Warning headers.
    """

    question: QueryQuestion
    limit: int
    offset: int
    warnings: tuple[Text, ...]


def web_query(request: Request, level: Level) -> WebQuery:
    """Read a question from path and parameters.

    Raises
    ------
    BadQueryError
        If a parameter is unknown or malformed.
    """
    keys = Dataset()
    study, series = (request.path_params.get(name) for name in ("study", "series"))
    if not all(is_uid(uid) for uid in (study, series) if uid is not None):
        raise BadQueryError(Text("network.web.path_uid"))
    # A level whose unique key stands in the path is not described again.
    levels = [one for one in (Level.STUDY, Level.SERIES, Level.IMAGE) if one in _upto(level)]
    described = [
        one
        for one in levels
        if not (one is Level.STUDY and study) and not (one is Level.SERIES and series)
    ]
    returned = [k for one in described for k in RETURNED[one] if one is level or k not in _COUNTED]
    for keyword in returned:
        _add(keys, [_tag(keyword)], "")
    warnings: list[Text] = []
    limit, offset = MOST, 0
    for name, value in request.query_params.multi_items():
        if name == "limit":
            limit = min(MOST, _number(name, value))
        elif name == "offset":
            offset = _number(name, value)
        elif name == "includefield":
            _include(keys, value, described)
        elif name in _SPECIAL:
            if value.lower() not in ("true", "false"):
                raise BadQueryError(Text("network.web.true_or_false", name=name))
            if value.lower() == "true":
                warnings.append(Text("network.web.literal", name=name))
        elif name == "accept":
            continue
        else:
            _add(keys, [_tag(part) for part in name.split(".")], value)
    if study:
        keys.StudyInstanceUID = study
    if series:
        keys.SeriesInstanceUID = series
    question = QueryQuestion(level, keys)
    _, complete = question.supported()
    if not complete:
        warnings.append(Text("network.web.passed_over"))
    return WebQuery(question, limit, offset, tuple(warnings))


def _upto(level: Level) -> tuple[Level, ...]:
    return (*level.above, level)


def _number(name: str, value: str) -> int:
    if not re.fullmatch(r"\d{1,9}", value):
        raise BadQueryError(Text("network.web.whole", name=name))
    return int(value)


def _tag(name: str) -> BaseTag:
    if re.fullmatch(r"[0-9a-fA-F]{8}", name):
        return Tag(int(name, 16))
    tag = tag_for_keyword(name)
    if tag is None:
        raise BadQueryError(Text("network.web.parameter"))
    return Tag(tag)


def _include(keys: Dataset, value: str, levels: Iterable[Level]) -> None:
    for name in value.split(","):
        if name == "all":
            for keyword in (k for one in levels for k in MORE[one]):
                _add(keys, [_tag(keyword)], "")
        else:
            _add(keys, [_tag(part) for part in name.split(".")], "")


def _add(keys: Dataset, path: list[BaseTag], value: str) -> None:
    """Put a key in, inside sequences where the path leads into them."""
    tag = path[0]
    try:
        vr = dictionary_VR(tag)
    except KeyError:
        raise BadQueryError(Text("network.web.tag")) from None
    vr = vr.split(" or ")[0]
    if vr == "SQ":
        inner = Dataset()
        if len(path) > 1:
            if tag in keys and keys[tag].value:
                inner = keys[tag].value[0]
            _add(inner, path[1:], value)
        elif value:
            raise BadQueryError(Text("network.web.sequence"))
        keys.add(DataElement(tag, vr, [inner] if len(inner) else []))
        return
    if len(path) > 1:
        raise BadQueryError(Text("network.web.inside"))
    if not value and tag in keys:
        return
    given: Any = value
    if vr == "UI":
        given = [one for one in re.split(r"[,\\]", value) if one]
    try:
        if value and vr in ("IS", "US", "UL", "SS", "SL"):
            given = int(value)
        # Keys have ranges and wildcards, which values of an object may not have.
        element = DataElement(tag, vr, given or None, validation_mode=IGNORE)
    except ValueError:
        raise BadQueryError(Text("network.web.value")) from None
    keys.add(element)


def answers(
    archive: Archive, query: WebQuery, base: str, most_headers: int, scope: Scope
) -> tuple[list[dict[str, Any]], list[Text]]:
    """Return what was found as DICOM JSON, and in which ways that is not all.

    Raises
    ------
    BadQuestionError
        If a key cannot be understood.
    """
    some: list[Answer] = []
    warnings = []
    try:
        found = find(archive, query.question, most_headers, scope)
        some.extend(islice(found, query.offset, query.offset + query.limit + 1))
    except TooWideQuestionError:
        warnings.append(Text("network.query.too_wide"))
    if len(some) > query.limit:
        warnings.append(Text("network.web.more"))
    level = query.question.level
    return [_as_json(one.attributes, level, base) for one in some[: query.limit]], warnings


def _as_json(found: Dataset, level: Level, base: str) -> dict[str, Any]:
    where = f"{base}/studies/{found.StudyInstanceUID}"
    if level in (Level.SERIES, Level.IMAGE):
        where += f"/series/{found.SeriesInstanceUID}"
    if level is Level.IMAGE:
        where += f"/instances/{found.SOPInstanceUID}"
    answer = {f"{element.tag:08X}": _element(element) for element in found}
    answer["00081190"] = {"vr": "UR", "Value": [where]}
    answer["00080056"] = {"vr": "CS", "Value": ["ONLINE"]}
    return answer


_TEXTS = frozenset(("AE", "AS", "CS", "DA", "DT", "LO", "SH", "TM", "UC", "UI", "UR"))
_NUMBERS = frozenset(("IS", "SL", "SS", "UL", "US"))


def _element(element: DataElement) -> dict[str, Any]:
    """Return an element in the DICOM JSON model (PS3.18 F.2.2)."""
    vr, value = element.VR, element.value
    if value is None or value == "" or (vr == "SQ" and not value):
        return {"vr": vr}
    values = value if isinstance(value, MultiValue | list) else [value]
    if vr in _TEXTS:
        return {"vr": vr, "Value": [str(one) if one else None for one in values]}
    if vr in _NUMBERS:
        return {"vr": vr, "Value": [int(one) for one in values]}
    if vr == "PN":
        return {"vr": vr, "Value": [_name(str(one)) for one in values]}
    return element.to_json_dict(None, 1 << 20)


def _name(text: str) -> dict[str, str]:
    groups = zip(("Alphabetic", "Ideographic", "Phonetic"), text.split("="), strict=False)
    return {group: name for group, name in groups if name}
