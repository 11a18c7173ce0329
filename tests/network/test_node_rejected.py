"""The node does not show what a rejection note names; the note it shows."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import datetime, timezone
from pathlib import Path

import httpx
import pytest
from pydicom import Dataset, dcmread

from archiver.network.node.node import Node
from archiver.objects import concepts, key_objects, part10
from archiver.objects.uids import DerivedUids
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, run, serving, store

NOON = datetime(2026, 3, 5, 12, tzinfo=timezone.utc)


def rejection_note() -> Dataset:
    wrong = samples.photograph(1)
    told = key_objects.Note(
        concepts.REJECTED_FOR_SAFETY, (key_objects.referenced(wrong),), "the tooth is 26", by="A^B"
    )
    ds = key_objects.build(told, wrong, created=NOON, uids=DerivedUids())
    return dcmread(io.BytesIO(part10.whole(ds)))


@pytest.fixture(scope="module", params=["note first", "note last"])
def node(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Node]:
    folder = tmp_path_factory.mktemp("rejected")
    objects = [
        samples.photograph(1),
        samples.photograph(2),
        samples.photograph(3, study=2, series=3),
    ]
    note = rejection_note()
    order = [note, *objects] if request.param == "note first" else [*objects, note]
    with serving(folder / "archive") as one:
        for ds in order:
            words = () if ds is note else ("-xy",)
            store(one.dimse.port, samples.save(ds, folder / "sent"), words=words)
        yield one


def base_of(node: Node) -> str:
    assert node.web is not None
    return f"http://127.0.0.1:{node.web.port}/dicomweb"


def find(node: Node, folder: Path, *keys: str) -> list[Dataset]:
    place = folder / "answers"
    place.mkdir(exist_ok=True)
    words = [word for key in keys for word in ("-k", key)]
    port = str(node.dimse.port)
    run("findscu", "-S", "-X", "-od", str(place), "-aec", TITLE, "127.0.0.1", port, *words)
    return [dcmread(path, force=True) for path in sorted(place.iterdir())]


def test_findscu_finds_neither_the_instance_nor_counts_it(node: Node, tmp_path: Path) -> None:
    study = f"StudyInstanceUID={samples.study_uid(1)}"
    (one,) = find(
        node,
        tmp_path,
        "QueryRetrieveLevel=STUDY",
        study,
        "NumberOfStudyRelatedInstances",
        "NumberOfStudyRelatedSeries",
        "ModalitiesInStudy",
    )
    assert one.NumberOfStudyRelatedInstances == 2
    assert one.NumberOfStudyRelatedSeries == 2
    assert set(one.ModalitiesInStudy) == {"KO", "XC"}


def test_findscu_finds_the_note_and_what_stands(node: Node, tmp_path: Path) -> None:
    study = f"StudyInstanceUID={samples.study_uid(1)}"
    series = find(
        node, tmp_path, "QueryRetrieveLevel=SERIES", study, "Modality", "SeriesInstanceUID"
    )
    found = {}
    for one in series:
        key = f"SeriesInstanceUID={one.SeriesInstanceUID}"
        place = tmp_path / str(one.SeriesInstanceUID)
        place.mkdir()
        answers = find(node, place, "QueryRetrieveLevel=IMAGE", study, key, "SOPInstanceUID")
        found[str(one.Modality)] = [str(answer.SOPInstanceUID) for answer in answers]
    assert found["XC"] == [samples.instance_uid(2)]
    assert found["KO"] == [rejection_note().SOPInstanceUID]


def test_qido_hides_and_counts_alike(node: Node) -> None:
    base = f"{base_of(node)}"
    uid = samples.study_uid(1)
    found = httpx.get(f"{base}/studies/{uid}/instances").json()
    told = {one["00080018"]["Value"][0] for one in found}
    assert told == {samples.instance_uid(2), rejection_note().SOPInstanceUID}
    (study,) = httpx.get(f"{base}/studies", params={"StudyInstanceUID": uid}).json()
    assert study["00201208"]["Value"] == [2]


def test_a_study_is_retrieved_without_it_and_it_by_its_own_uid(node: Node) -> None:
    base = f"{base_of(node)}/studies/{samples.study_uid(1)}"
    told = httpx.get(f"{base}/metadata", headers={"Accept": "application/dicom+json"}).json()
    assert samples.instance_uid(1) not in {one["00080018"]["Value"][0] for one in told}
    wrong = f"{base}/series/{samples.series_uid(1)}/instances/{samples.instance_uid(1)}/metadata"
    assert httpx.get(wrong).status_code == 200


@pytest.mark.parametrize("level", ["STUDY", "IMAGE"])
def test_getscu_gets_it_by_its_own_uid_alone(node: Node, tmp_path: Path, level: str) -> None:
    words = ["-k", f"QueryRetrieveLevel={level}", "-k", f"StudyInstanceUID={samples.study_uid(1)}"]
    if level == "IMAGE":
        words += ["-k", f"SeriesInstanceUID={samples.series_uid(1)}"]
        words += ["-k", f"SOPInstanceUID={samples.instance_uid(1)}"]
    run(
        "getscu",
        "-S",
        "+xy",
        "-od",
        str(tmp_path),
        "-aec",
        TITLE,
        "127.0.0.1",
        str(node.dimse.port),
        *words,
    )
    got = {
        str(dcmread(path, stop_before_pixels=True).SOPInstanceUID) for path in tmp_path.iterdir()
    }
    assert (samples.instance_uid(1) in got) is (level == "IMAGE")
