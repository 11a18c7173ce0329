"""C-FIND, QIDO-RS, C-GET and C-MOVE agree on what a key matches.

PS3.4 C.2.2.1.1: every entity has a value of its unique key, so one without is none. C.2.2.1.2: a
required key that an entity has no value of is unknown and answers everything; of Patient ID and
Patient's Name this node does not do so, lest a record of nobody come as somebody's.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from pydicom import Dataset, dcmread

from archiver.network.node.node import Node
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, run, serving, store


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    folder = tmp_path_factory.mktemp("agree")
    with serving(folder / "archive") as one:
        objects = [
            samples.photograph(1, study=1, series=1),
            samples.photograph(2, study=2, series=2, PatientID="", PatientName="Sato^Emi"),
            samples.photograph(3, study=3, series=3, PatientID="P-0502", PatientName=""),
            samples.photograph(4, study=4, series=4, PatientID="", PatientName=""),
            samples.photograph(5, study=5, series=5, AccessionNumber="", StudyDate=""),
        ]
        store(one.dimse.port, *(samples.save(ds, folder) for ds in objects))
        yield one


def by_find(node: Node, folder: Path, level: str, *keys: str, model: str = "-S") -> set[str]:
    """The studies that findscu is answered with."""
    folder.mkdir(exist_ok=True)
    words: list[object] = ["findscu", model, "-aec", TITLE, "-X", "-od", folder]
    for key in (f"QueryRetrieveLevel={level}", "StudyInstanceUID", *keys):
        words += ["-k", key]
    run(*words, "127.0.0.1", node.dimse.port)
    found = [dcmread(path, force=True) for path in folder.glob("rsp*.dcm")]
    return {str(one.get("StudyInstanceUID") or one.get("PatientID")) for one in found}


def by_get(node: Node, folder: Path, level: str, *keys: str, model: str = "-S") -> set[str]:
    """The studies of which getscu is given objects."""
    folder.mkdir(exist_ok=True)
    words: list[object] = ["getscu", model, "-aec", TITLE, "-od", folder, "+xy"]
    for key in (f"QueryRetrieveLevel={level}", *keys):
        words += ["-k", key]
    run(*words, "127.0.0.1", node.dimse.port)
    files = [dcmread(path, stop_before_pixels=True) for path in folder.iterdir()]
    return {str(one.StudyInstanceUID) for one in files}


def by_move(node: Node, folder: Path, level: str, *keys: str, model: str = "-S") -> str:
    """What movescu is told when it asks for objects to be sent to nobody known."""
    words: list[object] = ["movescu", "-d", model, "-aec", TITLE, "-aem", "NOBODY"]
    for key in (f"QueryRetrieveLevel={level}", *keys):
        words += ["-k", key]
    return run(*words, "127.0.0.1", node.dimse.port).stdout


def by_web(node: Node, **keys: str) -> set[str]:
    """The studies that QIDO-RS answers with."""
    assert node.web is not None
    url = f"http://127.0.0.1:{node.web.port}/dicomweb/studies"
    answer = httpx.get(url, params=keys)
    found: list[dict[str, dict[str, list[str]]]] = answer.json() if answer.content else []
    return {one["0020000D"]["Value"][0] for one in found}


def studies(*numbers: int) -> set[str]:
    return {samples.study_uid(number) for number in numbers}


@pytest.mark.parametrize(
    ("key", "value", "found"),
    [
        ("PatientID", "P-0417", studies(1, 5)),
        ("PatientID", "P-9999", set()),
        ("PatientName", "Okafor^Nadia", studies(1, 5)),
        ("PatientName", "Nobody*", set()),
        ("PatientID", "P-0502", studies(3)),
        ("StudyInstanceUID", samples.study_uid(2), studies(2)),
        # Required keys, unknown of study 5: they answer everything (C.2.2.1.2).
        ("AccessionNumber", "A-2291", studies(1, 2, 3, 4, 5)),
        ("AccessionNumber", "A-9999", studies(5)),
        ("StudyDate", "20200101", studies(5)),
    ],
)
def test_find_and_qido_give_nobody_out_as_somebody(
    node: Node, tmp_path: Path, key: str, value: str, found: set[str]
) -> None:
    assert by_find(node, tmp_path, "STUDY", f"{key}={value}") == found
    assert by_web(node, **{key: value}) == found


@pytest.mark.parametrize("patient", ["P-0417", "P-0502", "P-9999", "p-0417", "P-0417 "])
def test_of_a_patient_get_gives_exactly_what_find_finds(
    node: Node, tmp_path: Path, patient: str
) -> None:
    key = f"PatientID={patient}"
    found = by_find(node, tmp_path / "find", "STUDY", key, model="-P")
    assert by_get(node, tmp_path / "get", "PATIENT", key, model="-P") == found
    assert by_web(node, PatientID=patient) == found


def test_who_has_no_identifier_is_no_patient_of_the_patient_level(
    node: Node, tmp_path: Path
) -> None:
    assert by_find(node, tmp_path, "PATIENT", "PatientID", model="-P") == {"P-0417", "P-0502"}


def test_another_patient_with_a_study_gets_nothing_by_any_service(
    node: Node, tmp_path: Path
) -> None:
    keys = (f"StudyInstanceUID={samples.study_uid(1)}", "PatientID=P-0502")
    for model in ("-S", "-P"):
        assert by_find(node, tmp_path / f"find{model}", "STUDY", *keys, model=model) == set()
        assert by_get(node, tmp_path / f"get{model}", "STUDY", *keys, model=model) == set()
    assert by_web(node, StudyInstanceUID=samples.study_uid(1), PatientID="P-0502") == set()


@pytest.mark.filterwarnings("ignore:Invalid value for VR UI")
@pytest.mark.parametrize(
    ("level", "keys"),
    [
        ("STUDY", ("StudyInstanceUID=",)),
        ("STUDY", ("StudyInstanceUID=*",)),
        ("STUDY", ()),
        ("SERIES", (f"StudyInstanceUID={samples.study_uid(1)}", "SeriesInstanceUID=")),
        ("IMAGE", (f"StudyInstanceUID={samples.study_uid(1)}", "SOPInstanceUID=1.2")),
    ],
)
def test_a_retrieval_without_its_unique_keys_is_refused_and_gives_nothing(
    node: Node, tmp_path: Path, level: str, keys: tuple[str, ...]
) -> None:
    folder = tmp_path / "got"
    assert by_get(node, folder, level, *keys) == set()
    words: list[object] = ["getscu", "-d", "-S", "-aec", TITLE, "-od", folder]
    for key in (f"QueryRetrieveLevel={level}", *keys):
        words += ["-k", key]
    told = run(*words, "127.0.0.1", node.dimse.port).stdout.lower()
    assert "0xa900" in told, [line for line in told.splitlines() if "status" in line]


def test_move_asks_for_its_destination_first(node: Node, tmp_path: Path) -> None:
    told = by_move(node, tmp_path, "STUDY", f"StudyInstanceUID={samples.study_uid(1)}")
    assert "0xa801" in told.lower()


def test_the_names_that_are_returned_are_those_of_the_objects(node: Node, tmp_path: Path) -> None:
    folder = tmp_path / "rsp"
    folder.mkdir()
    words: list[object] = ["findscu", "-S", "-aec", TITLE, "-X", "-od", folder, "-k"]
    words += ["QueryRetrieveLevel=STUDY", "-k", f"StudyInstanceUID={samples.study_uid(2)}"]
    run(*words, "-k", "PatientName", "-k", "PatientID", "127.0.0.1", node.dimse.port)
    (one,) = [dcmread(path, force=True) for path in folder.glob("rsp*.dcm")]
    assert isinstance(one, Dataset)
    assert (str(one.PatientName), str(one.PatientID or "")) == ("Sato^Emi", "")
