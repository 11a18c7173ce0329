"""Reading what is no archive of ours: DICOM files, and what another archive answers.

There is no journal and no index to compare with, so integrity is not judged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.store import IndexedInstance, index_in_memory
from archiver.records.examination import Depth, Examined, examine_file, said_by
from archiver.records.instance_reader import read_instances
from archiver.records.model import Concern
from archiver.records.object_survey import WORKERS, walk
from archiver.records.survey import Survey
from archiver.wording import Text
from archiver.workers import in_order

if TYPE_CHECKING:
    from pydicom import Dataset


def survey_files(
    paths: Iterable[Path], depth: Depth, each: Callable[[int, int], None] | None = None
) -> Survey:
    """Read DICOM files, and those under folders; there is no journal to compare them with.

    Every file is read in full at each audit.

    Parameters
    ----------
    each
        Told how many of how many files were read.
    """
    given = list(paths)
    survey = Survey(", ".join(map(str, given)), max(depth, Depth.OBJECTS))
    kept: dict[str, IndexedInstance] = {}
    files = list(_candidates(given))
    for path, seen in in_order(lambda p: _try(p, survey.depth), files, WORKERS, "object"):
        survey.read += 1
        if each is not None:
            each(survey.read, len(files))
        if isinstance(seen, Text) or seen.description is None:
            said = seen if isinstance(seen, Text) else seen.trouble
            survey.concerns.append(Concern("object-unreadable", said, path=str(path)))
            continue
        survey.octets += seen.facts.size
        uid = seen.description.sop_instance_uid
        if uid in kept or not uid:
            found = Text("records.identity.no_uid")
            if uid:
                found = Text("records.identity.identifier_of", path=kept[uid].path)
            expected = Text("records.identity.own_identifier")
            survey.concerns.append(Concern("instance-twice", found, expected, path=str(path)))
            continue
        facts = seen.facts
        kept[uid] = IndexedInstance(
            seen.description, path.as_posix(), facts.size, facts.digest, None, len(kept), ""
        )
        survey.facts[uid] = facts
    _take_in(survey, kept)
    return survey


def survey_headers(where: str, headers: Iterable[Dataset], way: Text | str = "") -> Survey:
    """Take what another archive tells of its objects: headers, without pixels.

    Parameters
    ----------
    where
        What the report calls that archive.
    way
        How they were had, in words.
    """
    from archiver.objects import describe

    survey = Survey(where, Depth.INDEX, way=way)
    kept: dict[str, IndexedInstance] = {}
    for dataset in headers:
        description = describe(dataset)
        uid = description.sop_instance_uid
        if uid and uid not in kept:
            kept[uid] = IndexedInstance(description, "", 0, "", None, len(kept), "")
            survey.facts[uid] = said_by(dataset, description)
    _take_in(survey, kept)
    return survey


def _take_in(survey: Survey, kept: dict[str, IndexedInstance]) -> None:
    with closing(index_in_memory(kept.values())) as index, index.reading() as connection:
        survey.instances = read_instances(connection)


def _try(path: Path, depth: Depth) -> Examined | Text:
    try:
        return examine_file(path, depth)
    except OSError as error:
        return Text("records.survey.disk_says", error=error.strerror)


def _candidates(paths: Iterable[Path]) -> Iterator[Path]:
    for given in paths:
        if not given.is_dir():
            yield given
            continue
        for name, _ in walk(given):
            path = Path(name)
            if path.suffix.casefold() in (".dcm", ".dicom", ".ima") or _begins_as_dicom(path):
                yield path


def _begins_as_dicom(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(132)[128:] == b"DICM"
    except OSError:
        return True  # so that the trouble is told
