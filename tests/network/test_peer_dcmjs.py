"""dcmjs-dimse from npm, a DIMSE implementation unrelated to ours and to DCMTK, both ways.

Its server and its client are small Node programs in ``tests/peers``. The server keeps and gives
data sets as the bytes that came; its client sends a file's bytes, or encodes them anew.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pydicom
import pytest
from pydicom.uid import generate_uid

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_tooth
from archiver.errors import NetworkError
from archiver.network.client.dimse import commitment
from archiver.network.client.dimse import find as dimse
from archiver.network.client.dimse.retrieve import RetrieveScope, retrieve
from archiver.network.client.dimse.store import send
from archiver.network.client.dimse.verification import echo
from archiver.network.client.header_cache import HeaderCache
from archiver.network.client.remote_query import ask
from archiver.network.node.node import Node
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Outbox
from archiver.network.outbox.outbox_worker import work
from archiver.network.outgoing_object import OutgoingObject, Sent, read_parcel
from archiver.network.peers import DimsePeer
from archiver.network.query_level import Level
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, serving
from tests.network.test_client_outbox import Time

PROGRAMS = Path(__file__).parents[1] / "peers"


@contextlib.contextmanager
def dcmjs_server(folder: Path, **options: Any) -> Iterator[int]:
    """The server, on a free port; what it gets is in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    port = peers.free_port()
    told = {"port": port, "title": "CLINIC", "folder": str(folder), "report": "same", **options}
    words = ["node", PROGRAMS / "dimse_server.mjs", json.dumps(told, default=str)]
    with peers.program(words, port, folder.parent / "dcmjs.log"):
        yield port


def dcmjs(node: Node, do: str, **options: Any) -> dict[str, Any]:
    """Let the client do something at our node; return what it says."""
    asked = {"port": node.dimse.port, "called": TITLE, "do": do, **options}
    words = ["node", str(PROGRAMS / "dimse_client.mjs"), json.dumps(asked, default=str)]
    result = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert result.returncode == 0, result.stderr
    said: dict[str, Any] = json.loads(result.stdout)
    return said


def raw(folder: Path) -> dict[str, tuple[str, bytes]]:
    """What a folder has: transfer syntax and data set by SOP Instance UID."""
    found = {}
    for path in folder.glob("*.raw"):
        # Transfer syntaxes begin alike, and no SOP Instance UID here has that in it.
        uid, _, rest = path.stem.partition(".1.2.840.10008.1.2")
        found[uid] = (f"1.2.840.10008.1.2{rest}", path.read_bytes())
    return found


@pytest.fixture(scope="module")
def archive() -> Path:
    return objects.shared_photographs()


@pytest.fixture(scope="module")
def parcels(archive: Path) -> list[OutgoingObject]:
    return [read_parcel(Path(r.path)) for r in objects.records(archive)]


def kept(parcels: list[OutgoingObject]) -> dict[str, tuple[str, bytes]]:
    return {p.sop_instance: (p.transfer_syntax, objects.data_set(p.path)) for p in parcels}


def _all_sent(peer: DimsePeer, parcels: list[OutgoingObject]) -> None:
    for _, result in send(peer, parcels):
        assert isinstance(result, Sent) and result.status.code == 0, result


@pytest.fixture(scope="module")
def clinic(
    tmp_path_factory: pytest.TempPathFactory, parcels: list[OutgoingObject]
) -> Iterator[DimsePeer]:
    """The server with three photographs, stored by us."""
    folder, back = tmp_path_factory.mktemp("dcmjs") / "kept", peers.free_port()
    with dcmjs_server(folder, destinations={"ARCHIVER": back}) as port:
        peer = peers.peer_at(port, listen_port=back, listen_host="127.0.0.1")
        assert echo(peer).code == 0
        _all_sent(peer, parcels)
        assert raw(folder) == kept(parcels)
        yield peer


@pytest.fixture(scope="module")
def destination(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, Path]]:
    folder = tmp_path_factory.mktemp("destination") / "kept"
    with dcmjs_server(folder) as port:
        yield port, folder


@pytest.fixture(scope="module")
def node(
    tmp_path_factory: pytest.TempPathFactory,
    destination: tuple[int, Path],
    parcels: list[OutgoingObject],
) -> Iterator[Node]:
    """Our node with three photographs, stored by it."""
    known = [peers.peer_at(destination[0])]
    with serving(tmp_path_factory.mktemp("node") / "archive", peers=known) as one:
        assert dcmjs(one, "echo")["statuses"] == [0]
        said = dcmjs(one, "store", files=[p.path for p in parcels])
        assert said["statuses"] == [0] * len(parcels) and not said["error"]
        yield one


class TestOurClient:
    def test_every_level_is_asked(self, clinic: DimsePeer, archive: Path) -> None:
        ours = objects.records(archive)
        with dimse.asking(clinic) as link:
            question = dimse.question(
                Level.STUDY, {"PatientID": "P-04*", "PatientName": "", "StudyInstanceUID": ""}
            )
            studies = list(dimse.find(link, question).matches)
            series = dimse.below(
                link, Level.SERIES, studies, {"SeriesInstanceUID": "", "Modality": ""}
            )
            images = dimse.below(link, Level.IMAGE, series, {"SOPInstanceUID": ""})
        assert [str(study.PatientName) for study in studies] == ["Okafor^Nadia"]
        assert {one.SeriesInstanceUID for one in series} == {r.series_uid for r in ours}
        assert {one.SOPInstanceUID for one in images} == {r.sop_instance_uid for r in ours}

    def test_a_tooth_is_found_by_reading_headers(
        self, clinic: DimsePeer, archive: Path, tmp_path: Path
    ) -> None:
        query = Query(patient_id="P-0417", teeth=(parse_tooth("iso:16"),), view="occlusal")
        with Archive.open(archive, create=False, read_only=True) as opened:
            ours = {r.sop_instance_uid for r in opened.query(query)}
        with HeaderCache(tmp_path) as cache:
            found = ask(clinic, query, cache)
        assert {r.sop_instance_uid for r in found.records} == ours
        assert found.by_headers > 0 and "headers fetched now" in str(found.way)

    @pytest.mark.parametrize("way", ["get", "move"])
    def test_objects_come_back_byte_for_byte(
        self,
        clinic: DimsePeer,
        parcels: list[OutgoingObject],
        archive: Path,
        tmp_path: Path,
        way: str,
    ) -> None:
        study = objects.records(archive)[0].study_uid
        came = retrieve(replace(clinic, retrieve=way), [RetrieveScope(study)], tmp_path)
        assert came.status.code == 0 and not came.problems
        fetched = {uid: objects.data_set(path) for uid, path in came.files.items()}
        assert fetched == {uid: whole for uid, (_, whole) in kept(parcels).items()}

    def test_a_title_that_is_not_known_is_told_in_words(self, clinic: DimsePeer) -> None:
        with pytest.raises(NetworkError, match="does not know the title that we called it by"):
            echo(replace(clinic, title="SOMEBODY"))

    def test_a_peer_that_takes_only_uncompressed_gets_decoded_copies(
        self, parcels: list[OutgoingObject], tmp_path: Path
    ) -> None:
        with dcmjs_server(tmp_path / "kept", syntaxes=[peers.IMPLICIT]) as port:
            results = [result for _, result in send(peers.peer_at(port), parcels)]
        assert all(isinstance(one, Sent) and one.recoded for one in results)
        assert {syntax for syntax, _ in raw(tmp_path / "kept").values()} == {peers.IMPLICIT}

    @pytest.mark.parametrize("way", ["same", "new", "never"])
    def test_only_what_it_took_charge_of_is_committed(
        self, archive: Path, tmp_path: Path, way: str
    ) -> None:
        back, time = peers.free_port(), Time()
        small = objects.small_objects(tmp_path, 5)
        options = {"report": way, "destinations": {"ARCHIVER": back}}
        with (
            dcmjs_server(tmp_path / "kept", **options) as port,
            Outbox.open(small) as outbox,
        ):
            limits = replace(peers.QUICK, commitment=0.5 if way == "never" else 10)
            peer = peers.peer_at(port, listen_port=back, listen_host="127.0.0.1", limits=limits)
            outbox.queue("clinic", objects.goods(small), time.now)
            list(work(outbox, peer, time.world()))
            states = {one.state for one in outbox.shipments()}
        assert states == {State.SENT if way == "never" else State.COMMITTED}

    def test_what_it_does_not_have_is_not_taken_charge_of(self, clinic: DimsePeer) -> None:
        there = [samples.PHOTOGRAPH, generate_uid()]
        report = commitment.request_commitment(clinic, [(there[0], there[1])], generate_uid())
        assert report is not None and not report.committed
        assert [status.code for status in report.failed.values()] == [0x0112]

    def test_all_of_it_works_by_tls(
        self, parcels: list[OutgoingObject], archive: Path, tmp_path: Path
    ) -> None:
        files = peers.certificates(tmp_path)
        options = {
            "key": files.server_key,
            "certificate": files.server,
            "authorities": files.authority,
        }
        with dcmjs_server(tmp_path / "kept", **options) as port:
            peer = peers.peer_at(port, tls=files.tls)
            _all_sent(peer, parcels)
            came = retrieve(peer, [RetrieveScope(objects.records(archive)[0].study_uid)], tmp_path)
            with pytest.raises(NetworkError):
                echo(peers.peer_at(port))
        assert raw(tmp_path / "kept") == kept(parcels)
        fetched = {uid: objects.data_set(path) for uid, path in came.files.items()}
        assert fetched == {uid: whole for uid, (_, whole) in kept(parcels).items()}


class TestItsClient:
    def test_objects_are_kept_byte_for_byte(
        self, node: Node, parcels: list[OutgoingObject]
    ) -> None:
        for parcel in parcels:
            path = node.archive.path_of(parcel.sop_instance)
            assert path is not None
            assert objects.data_set(path) == objects.data_set(parcel.path)

    def test_what_it_encodes_itself_keeps_its_values(self, node: Node, tmp_path: Path) -> None:
        for ds in (samples.photograph(71), samples.radiograph(72, series=2)):
            file = samples.save(ds, tmp_path)
            assert dcmjs(node, "store", files=[file], anew=True)["statuses"] == [0]
            path = node.archive.path_of(str(ds.SOPInstanceUID))
            assert path is not None
            got = pydicom.dcmread(path)
            for element in pydicom.dcmread(file):
                assert got[element.tag].value == element.value, element.keyword

    def test_every_level_is_answered(self, node: Node, archive: Path) -> None:
        ours = objects.records(archive)
        keys = {"PatientID": "P-0417", "PatientName": "Oka*", "StudyInstanceUID": ""}
        (study,) = (
            one
            for one in dcmjs(node, "find", level="STUDY", keys=keys)["answers"]
            if one["StudyInstanceUID"] == ours[0].study_uid
        )
        assert study["PatientName"] == [{"Alphabetic": "Okafor^Nadia"}]
        keys = {"StudyInstanceUID": study["StudyInstanceUID"], "SeriesInstanceUID": ""}
        series = dcmjs(node, "find", level="SERIES", keys=keys)["answers"]
        assert {one["SeriesInstanceUID"] for one in series} == {r.series_uid for r in ours}
        found = set()
        for one in series:
            within = {**keys, "SeriesInstanceUID": one["SeriesInstanceUID"], "SOPInstanceUID": ""}
            answers = dcmjs(node, "find", level="IMAGE", keys=within)["answers"]
            found |= {answer["SOPInstanceUID"] for answer in answers}
        assert found == {r.sop_instance_uid for r in ours}
        nobody = dcmjs(node, "find", level="STUDY", keys={"PatientID": "NOBODY"})
        assert nobody["statuses"] == [0] and not nobody["answers"]

    @pytest.mark.parametrize("level", ["study", "series", "instance"])
    def test_objects_come_back_byte_for_byte_by_c_get(
        self, node: Node, archive: Path, parcels: list[OutgoingObject], tmp_path: Path, level: str
    ) -> None:
        one = objects.records(archive)[0]
        names = {"study": one.study_uid, "series": one.series_uid, "instance": one.sop_instance_uid}
        asked = dict(list(names.items())[: list(names).index(level) + 1])
        contexts = [[samples.PHOTOGRAPH, syntax] for syntax in (peers.BASELINE, peers.LOSSLESS)]
        said = dcmjs(node, "get", folder=tmp_path, contexts=contexts, **asked)
        assert said["statuses"] == [0]
        expected = {
            r.sop_instance_uid
            for r in objects.records(archive)
            if level == "study"
            or (r.series_uid == one.series_uid and level == "series")
            or r.sop_instance_uid == one.sop_instance_uid
        }
        whole = kept(parcels)
        assert raw(tmp_path) == {uid: whole[uid] for uid in expected}

    def test_objects_are_moved_to_a_destination_byte_for_byte(
        self,
        node: Node,
        archive: Path,
        parcels: list[OutgoingObject],
        destination: tuple[int, Path],
    ) -> None:
        study = objects.records(archive)[0].study_uid
        said = dcmjs(node, "move", study=study, destination="CLINIC")
        assert said["statuses"] == [0]
        assert raw(destination[1]) == kept(parcels)
        unknown = dcmjs(node, "move", study=study, destination="NOWHERE")
        assert unknown["statuses"] == [0xA801]

    def test_a_commitment_is_reported_on_its_association(
        self, node: Node, parcels: list[OutgoingObject]
    ) -> None:
        references = [[p.sop_class, p.sop_instance] for p in parcels]
        references.append([samples.PHOTOGRAPH, "1.2.3.4"])
        transaction = generate_uid()
        said = dcmjs(node, "commit", references=references, transaction=transaction, linger=1000)
        assert said["statuses"] == [0]
        report = said["report"]
        assert (report["type"], report["TransactionUID"]) == (2, transaction)
        safe = {item["ReferencedSOPInstanceUID"] for item in report["ReferencedSOPSequence"]}
        assert safe == {p.sop_instance for p in parcels}
        (failed,) = report["FailedSOPSequence"]
        assert (failed["ReferencedSOPInstanceUID"], failed["FailureReason"]) == ("1.2.3.4", 0x0112)

    def test_a_wrong_title_is_rejected(self, node: Node) -> None:
        said = dcmjs(node, "echo", called="SOMEBODY")
        assert said["error"] is not None and not said["statuses"]

    def test_it_works_by_tls_with_certificates_of_both(
        self, parcels: list[OutgoingObject], tmp_path: Path
    ) -> None:
        files = peers.certificates(tmp_path)
        secured = {
            "certificate": files.server,
            "key": files.server_key,
            "client_authorities": files.authority,
        }
        ours = {"authorities": files.authority, "certificate": files.ours, "key": files.our_key}
        with serving(tmp_path / "archive", **secured) as node:
            said = dcmjs(node, "store", files=[p.path for p in parcels], **ours)
            assert said["statuses"] == [0] * len(parcels)
            for parcel in parcels:
                path = node.archive.path_of(parcel.sop_instance)
                assert path is not None
                assert objects.data_set(path) == objects.data_set(parcel.path)
            without = dcmjs(node, "echo", authorities=files.authority)
            assert without["error"] is not None and not without["statuses"]
