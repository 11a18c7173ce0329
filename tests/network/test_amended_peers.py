"""After each kind of mistake, every archive that had the wrong instances shows what is right.

Our own node hides what a note rejects. DCMTK's dcmqrscp knows nothing of notes: it goes on showing
the wrong instances beside the right ones and the note. Whoever asks it through this program sees
what is right alone, since the note is asked for and heeded here.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from pydicom import Dataset, dcmread

from archiver.archive.query import Query
from archiver.network.client.header_cache import HeaderCache
from archiver.network.client.remote_query import Found, ask
from archiver.network.node.node import Node
from archiver.network.peers import DimsePeer, WebPeer
from archiver.objects.description import describe
from tests.cli.in_process import archiver
from tests.cli.sessions import camera_jpeg, photo, write_sheet
from tests.network import client_peers as peers
from tests.network.node_serving import TITLE, run, serving
from tests.new_archive import new_archive

#: What each photograph is said to be, and the amendment; P-0502 is in the archive too.
MISTAKES: dict[str, tuple[str, tuple[str, ...]]] = {
    "tooth": (photo("{}"), ("--tooth", "iso:26")),
    "side": (photo("{}", 16, "buccal"), ("--tooth", "iso:26")),
    "view": (photo("{}", 24, "buccal"), ("--view", "palatal")),
    "mirror forgotten": (photo("{}", 46, "lingual", False), ("--mirror", "yes")),
    "mirror too much": (photo("{}", 36, "buccal"), ("--mirror", "no")),
    "flipped before": (photo("{}", 37), ("--flipped", "left-right")),
    "patient": (photo("{}", 11, "labial", False), ("--patient-id", "P-0502")),
}
OF = {name: f"P-{1000 + number}" for number, name in enumerate(MISTAKES)}


@dataclass(frozen=True)
class Places:
    """The archives that had the wrong instances, and now have what is right."""

    ours: Path
    node: Node
    foreign: DimsePeer
    old: dict[str, set[str]]


def query(archive: Path, *words: str) -> list[dict[str, object]]:
    said = archiver("query", "--archive", archive, "--json", *words)
    assert said.returncode == 0, said.stderr
    found: list[dict[str, object]] = json.loads(said.stdout)
    return found


def uids(records: list[dict[str, object]]) -> set[str]:
    return {str(record["sop_instance_uid"]) for record in records}


def photographs(archive: Path, patient: str) -> list[dict[str, object]]:
    return query(archive, "--patient-id", patient, "--modality", "XC")


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Places]:
    folder = tmp_path_factory.mktemp("amended")
    ours = folder / "ours"
    wrap(folder, ours, "P-0502", photo("{}", 11), 99)
    for number, (name, (said, _)) in enumerate(MISTAKES.items()):
        wrap(folder, ours, OF[name], said, number)
    with ExitStack() as open_:
        back = peers.free_port()
        port = open_.enter_context(peers.dcmqrscp(folder / "qr", move_to=back))
        node = open_.enter_context(serving(folder / "theirs", may_reject=("dimse:ARCHIVER",)))
        settings = folder / "archiver.toml"
        settings.write_text(
            f'[[peer]]\nname = "foreign"\nhost = "127.0.0.1"\nport = {port}\ntitle = "CLINIC"\n'
            "commitment = false\n"
            f'[[peer]]\nname = "node"\nhost = "127.0.0.1"\nport = {node.dimse.port}\n'
            f'title = "{TITLE}"\n'
        )
        patch = open_.enter_context(pytest.MonkeyPatch.context())
        patch.setenv("ARCHIVER_SETTINGS", str(settings))
        patch.setenv("XDG_CACHE_HOME", str(folder / "cache"))
        send(ours, "--everything")
        old = {}
        for name, (_, words) in MISTAKES.items():
            wrong = photographs(ours, OF[name])
            old[name] = uids(wrong)
            uid = str(wrong[-1]["sop_instance_uid"])
            made = archiver("amend", uid, *words, "--archive", ours)
            assert made.returncode == 0, made.stderr
        send(ours)
        yield Places(ours, node, peers.peer_at(port), old)


def wrap(folder: Path, archive: Path, patient: str, said: str, seed: int) -> None:
    card = folder / patient
    card.mkdir()
    camera_jpeg(card / "A.JPG", seed)
    sheet = write_sheet(card, [said.format("A.JPG")], patient)
    made = archiver("wrap", sheet, "--archive", new_archive(archive))
    assert made.returncode == 0, made.stderr


def send(archive: Path, *words: str) -> None:
    for peer in ("foreign", "node"):
        sent = archiver("send", "--to", peer, "--archive", archive, *words)
        assert sent.returncode in (0, 1), sent.stderr
        assert " 0 failed" in sent.stdout and "0 queued" in sent.stdout, sent.stdout + sent.stderr


def right(places: Places, mistake: str) -> set[str]:
    """What our own archive shows of the patient whose photograph it is."""
    patient = "P-0502" if mistake == "patient" else OF[mistake]
    return uids(photographs(places.ours, patient))


def findscu(title: str, port: int, folder: Path, *keys: str) -> list[Dataset]:
    folder.mkdir()
    words = [word for key in keys for word in ("-k", key)]
    run("findscu", "-S", "-X", "-od", folder, "-aec", title, "127.0.0.1", port, *words)
    return [dcmread(path, force=True) for path in sorted(folder.iterdir())]


def found_by_dcmtk(title: str, port: int, folder: Path, patient: str) -> dict[str, set[str]]:
    """SOP Instance UIDs of a patient by modality, as DCMTK's findscu finds them level by level."""
    folder.mkdir(exist_ok=True)
    found: dict[str, set[str]] = {}
    studies = findscu(
        title,
        port,
        folder / "studies",
        "QueryRetrieveLevel=STUDY",
        f"PatientID={patient}",
        "StudyInstanceUID",
    )
    for n, study in enumerate(studies):
        key = f"StudyInstanceUID={study.StudyInstanceUID}"
        place = folder / f"series-{n}"
        levels = ("QueryRetrieveLevel=SERIES", key, "SeriesInstanceUID", "Modality")
        for m, series in enumerate(findscu(title, port, place, *levels)):
            below = f"SeriesInstanceUID={series.SeriesInstanceUID}"
            keys = ("QueryRetrieveLevel=IMAGE", key, below, "SOPInstanceUID")
            images = findscu(title, port, folder / f"images-{n}-{m}", *keys)
            found.setdefault(str(series.Modality), set()).update(
                str(one.SOPInstanceUID) for one in images
            )
    return found


@pytest.mark.parametrize("mistake", MISTAKES)
def test_our_own_archive_shows_what_is_right_alone(places: Places, mistake: str) -> None:
    shown = right(places, mistake)
    assert shown and not shown & places.old[mistake]
    if mistake == "patient":
        assert photographs(places.ours, OF[mistake]) == []
    # Nothing is lost.
    everything = query(places.ours, "--patient-id", OF[mistake], "--include-rejected")
    assert places.old[mistake] <= uids(everything)


@pytest.mark.parametrize("mistake", MISTAKES)
def test_our_node_shows_what_is_right_alone_to_findscu(
    places: Places, mistake: str, tmp_path: Path
) -> None:
    patient = "P-0502" if mistake == "patient" else OF[mistake]
    shown = found_by_dcmtk(TITLE, places.node.dimse.port, tmp_path / "right", patient)
    assert shown["XC"] == right(places, mistake)
    theirs = found_by_dcmtk(TITLE, places.node.dimse.port, tmp_path / "wrong", OF[mistake])
    assert not theirs.get("XC", set()) & places.old[mistake]
    assert len(theirs["KO"]) == 1


@pytest.mark.parametrize("mistake", MISTAKES)
def test_our_node_shows_what_is_right_alone_to_qido(places: Places, mistake: str) -> None:
    assert places.node.web is not None
    base = f"http://127.0.0.1:{places.node.web.port}/dicomweb"
    patient = "P-0502" if mistake == "patient" else OF[mistake]
    asked = {"PatientID": patient, "Modality": "XC"}
    shown = {
        one["00080018"]["Value"][0] for one in httpx.get(f"{base}/instances", params=asked).json()
    }
    assert shown == right(places, mistake)


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_foreign_archive_has_the_right_ones_and_the_note_beside_the_wrong_ones(
    places: Places, mistake: str, tmp_path: Path
) -> None:
    """What dcmqrscp itself shows: it heeds no notes."""
    port = places.foreign.port
    wrong = found_by_dcmtk("CLINIC", port, tmp_path / "wrong", OF[mistake])
    assert places.old[mistake] <= wrong["XC"]
    assert len(wrong["KO"]) == 1
    patient = "P-0502" if mistake == "patient" else OF[mistake]
    shown = found_by_dcmtk("CLINIC", port, tmp_path / "right", patient)
    assert right(places, mistake) <= shown["XC"]


def asked(places: Places, cache: Path, query: Query, way: str) -> Found:
    peer: DimsePeer | WebPeer = places.foreign
    if way != "dcmqrscp":
        assert places.node.web is not None
        peer = WebPeer("node", f"http://127.0.0.1:{places.node.web.port}/dicomweb")
    with HeaderCache(cache) as held:
        return ask(peer, query, held)


@pytest.mark.parametrize("way", ["dcmqrscp", "our node by DICOMweb"])
@pytest.mark.parametrize("mistake", MISTAKES)
def test_asked_through_this_program_it_shows_what_is_right_alone(
    places: Places, mistake: str, way: str, tmp_path: Path
) -> None:
    patient = "P-0502" if mistake == "patient" else OF[mistake]
    found = asked(places, tmp_path, Query(patient_id=patient, modality="XC"), way)
    assert {r.sop_instance_uid for r in found.records} == right(places, mistake)
    wrong = asked(places, tmp_path, Query(patient_id=OF[mistake], role="original"), way)
    assert not {r.sop_instance_uid for r in wrong.records} & places.old[mistake]
    if way == "dcmqrscp":
        assert wrong.rejected and "a note there rejects them" in str(wrong.way)
        every = Query(patient_id=OF[mistake], modality="XC", include_rejected=True)
        shown = {r.sop_instance_uid for r in asked(places, tmp_path, every, way).records}
        assert places.old[mistake] <= shown


#: The tooth that was said at first, but for the photograph that moves to another patient.
TOOTH = {
    "tooth": "iso:25",
    "side": "iso:16",
    "view": "iso:24",
    "mirror forgotten": "iso:46",
    "mirror too much": "iso:36",
    "flipped before": "iso:37",
}


@pytest.mark.parametrize("mistake", TOOTH)
def test_what_a_note_there_rejects_is_not_present_for_an_audit(
    places: Places, mistake: str, tmp_path: Path
) -> None:
    """dcmqrscp, which heeds no notes, and our own archive are judged alike."""
    words = ["audit", "--rules", "posterior-tooth-visit", "--rules", "good-record", "--json"]
    told = []
    for place in (["--archive", str(places.ours)], ["--at", "foreign"]):
        visit = ("--visit", OF[mistake], "--tooth", TOOTH[mistake])
        said = archiver(*words, *place, *visit)
        assert said.returncode == 1, said.stderr
        told.append(json.loads(said.stdout))
    ours, theirs = told
    assert ours == theirs and ours["photographs"] == 1
    judged = {view["requirement"]: view["status"] for view in ours["views"]}
    gone = {"tooth": "occlusal", "side": "buccal", "view": "buccal"}
    if mistake in gone:
        assert judged[gone[mistake]] == "missing"
    report = archiver(*words, "--at", "foreign", "--patient-id", OF[mistake])
    assert report.returncode in (0, 1), report.stderr
    kinds = json.loads(report.stdout)["kinds"]
    assert kinds["rejected-replaced"] == len(places.old[mistake])
    assert "rejected-alone" not in kinds and "source-rejected" not in kinds
    sides = [c for c in json.loads(report.stdout)["concerns"] if c["kind"] == "side-amended"]
    assert bool(sides) is (mistake == "side")


def test_a_note_that_was_sent_is_the_note_that_is_there(places: Places, tmp_path: Path) -> None:
    """Fetched from dcmqrscp it says the same as in our archive."""
    (note,) = query(places.ours, "--patient-id", OF["side"], "--modality", "KO")
    keys = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
    names = ("study_uid", "series_uid", "sop_instance_uid")
    words = [w for k, n in zip(keys, names, strict=True) for w in ("-k", f"{k}={note[n]}")]
    port = places.foreign.port
    level = ("-k", "QueryRetrieveLevel=IMAGE")
    run("getscu", "-S", "-od", tmp_path, "-aec", "CLINIC", "127.0.0.1", port, *level, *words)
    (came,) = tmp_path.iterdir()
    assert describe(dcmread(came)).selection == describe(dcmread(str(note["path"]))).selection
