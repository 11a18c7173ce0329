"""The node does not show what a note of who may reject names; the note it shows.

What was rejected for patient safety is not served either, as IHE's profile of Imaging Object
Change Management has it; what was rejected for quality may still be had by its own UID.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import datetime, timezone
from pathlib import Path

import httpx
import pytest
from pydicom import Dataset, dcmread

from archiver.dentition.codes import Code
from archiver.network.node.node import Node
from archiver.objects import concepts, key_objects, part10
from archiver.objects.uids import DerivedUids
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, run, serving, store

NOON = datetime(2026, 3, 5, 12, tzinfo=timezone.utc)


def rejection_note(title: Code = concepts.REJECTED_FOR_SAFETY) -> Dataset:
    wrong = samples.photograph(1)
    told = key_objects.Note(title, (key_objects.referenced(wrong),), "the tooth is 26", by="A^B")
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
    with serving(folder / "archive", may_reject=("dimse:STORESCU",)) as one:
        fill(one, order, folder)
        yield one


def fill(node: Node, objects: list[Dataset], folder: Path, *words: str) -> None:
    for ds in objects:
        syntax = () if ds.Modality == "KO" else ("-xy",)
        store(node.dimse.port, samples.save(ds, folder / "sent"), words=(*syntax, *words))


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


def instance_of(node: Node) -> str:
    series = f"{base_of(node)}/studies/{samples.study_uid(1)}/series/{samples.series_uid(1)}"
    return f"{series}/instances/{samples.instance_uid(1)}"


def test_a_study_is_retrieved_without_it(node: Node) -> None:
    base = f"{base_of(node)}/studies/{samples.study_uid(1)}"
    told = httpx.get(f"{base}/metadata", headers={"Accept": "application/dicom+json"}).json()
    assert samples.instance_uid(1) not in {one["00080018"]["Value"][0] for one in told}


@pytest.mark.parametrize("what", ["", "/metadata", "/frames/1", "/rendered", "/thumbnail"])
def test_what_is_rejected_for_safety_is_not_there_for_wado(node: Node, what: str) -> None:
    assert httpx.get(instance_of(node) + what).status_code == 404


def got(node: Node, folder: Path, level: str, *words: str) -> set[str]:
    folder.mkdir(exist_ok=True)
    keys = ["-k", f"QueryRetrieveLevel={level}", "-k", f"StudyInstanceUID={samples.study_uid(1)}"]
    if level == "IMAGE":
        keys += ["-k", f"SeriesInstanceUID={samples.series_uid(1)}"]
        keys += ["-k", f"SOPInstanceUID={samples.instance_uid(1)}"]
    port = str(node.dimse.port)
    place = ("-od", str(folder), "-aec", TITLE, "127.0.0.1", port)
    run("getscu", "-S", "+xy", *words, *place, *keys)
    return {str(dcmread(path, stop_before_pixels=True).SOPInstanceUID) for path in folder.iterdir()}


@pytest.mark.parametrize("level", ["STUDY", "IMAGE"])
def test_getscu_gets_nothing_that_was_rejected_for_safety(
    node: Node, tmp_path: Path, level: str
) -> None:
    assert samples.instance_uid(1) not in got(node, tmp_path, level)


def test_what_was_rejected_for_quality_is_had_by_its_own_uid_alone(tmp_path: Path) -> None:
    order = [samples.photograph(1), rejection_note(concepts.REJECTED_FOR_QUALITY)]
    with serving(tmp_path / "archive", may_reject=("dimse:STORESCU",)) as node:
        fill(node, order, tmp_path)
        assert httpx.get(f"{instance_of(node)}/metadata").status_code == 200
        assert samples.instance_uid(1) in got(node, tmp_path / "one", "IMAGE")
        assert samples.instance_uid(1) not in got(node, tmp_path / "all", "STUDY")


def test_who_may_see_what_was_rejected_gets_it_by_its_own_uid_and_never_rendered(
    tmp_path: Path,
) -> None:
    secrets = tmp_path / "secrets.txt"
    secrets.write_text("token review 0123456789abcdef\ntoken other fedcba9876543210\n")
    who = ("dimse:REVIEWER", "web:review")
    may_reject = ("dimse:STORESCU",)
    with serving(
        tmp_path / "archive", may_reject=may_reject, sees_rejected=who, credentials=secrets
    ) as node:
        fill(node, [samples.photograph(1), rejection_note()], tmp_path)
        seen = {}
        for token in ("0123456789abcdef", "fedcba9876543210"):
            with httpx.Client(headers={"Authorization": f"Bearer {token}"}) as client:
                for what in ("/metadata", "/rendered"):
                    seen[token[:2], what] = client.get(instance_of(node) + what).status_code
        wanted = {("01", "/metadata"): 200, ("fe", "/metadata"): 404}
        assert seen == {**wanted, ("01", "/rendered"): 404, ("fe", "/rendered"): 404}
        assert samples.instance_uid(1) in got(node, tmp_path / "r", "IMAGE", "-aet", "REVIEWER")
        assert samples.instance_uid(1) not in got(node, tmp_path / "o", "IMAGE", "-aet", "OTHER")


@pytest.mark.parametrize("who", ["a title that is not named", "the name of a web user"])
def test_a_note_of_a_caller_that_may_not_reject_hides_nothing(tmp_path: Path, who: str) -> None:
    right = "web:STORESCU" if who == "the name of a web user" else "dimse:CONSOLE1"
    with serving(tmp_path / "archive", may_reject=(right,)) as node:
        fill(node, [samples.photograph(1), rejection_note()], tmp_path)
        base = f"{base_of(node)}/studies/{samples.study_uid(1)}/instances"
        told = {one["00080018"]["Value"][0] for one in httpx.get(base).json()}
        assert told == {samples.instance_uid(1), rejection_note().SOPInstanceUID}
        fill(node, [rejection_note(concepts.REJECTED_FOR_QUALITY)], tmp_path, "-aet", "CONSOLE1")
        told = {one["00080018"]["Value"][0] for one in httpx.get(base).json()}
        hidden = samples.instance_uid(1) not in told
        assert hidden is (who == "a title that is not named")


def test_a_note_that_comes_by_stow_counts_where_its_credential_may_reject(tmp_path: Path) -> None:
    secrets = tmp_path / "secrets.txt"
    secrets.write_text("token console 0123456789abcdef\ntoken other fedcba9876543210\n")
    with serving(
        tmp_path / "archive", may_reject=("web:console", "web:anyone"), credentials=secrets
    ) as node:
        fill(node, [samples.photograph(1)], tmp_path)
        base = f"{base_of(node)}/studies/{samples.study_uid(1)}/instances"
        told = []
        for title, token in (
            (concepts.REJECTED_FOR_SAFETY, "fedcba9876543210"),
            (concepts.REJECTED_FOR_QUALITY, "0123456789abcdef"),
        ):
            client = httpx.Client(headers={"Authorization": f"Bearer {token}"})
            with client:
                body = io.BytesIO()
                rejection_note(title).save_as(body)
                assert stowed(client, base_of(node), body.getvalue()) == 200
                found = {one["00080018"]["Value"][0] for one in client.get(base).json()}
            told.append(samples.instance_uid(1) in found)
        assert told == [True, False]


def stowed(client: httpx.Client, base: str, whole: bytes) -> int:
    head = b"--next\r\nContent-Type: application/dicom\r\n\r\n"
    kind = 'multipart/related; type="application/dicom"; boundary=next'
    body = head + whole + b"\r\n--next--\r\n"
    return client.post(f"{base}/studies", content=body, headers={"Content-Type": kind}).status_code
