"""Objects are fetched from the node by DCMTK's getscu and movescu, and committed to pynetdicom."""

from __future__ import annotations

import io
import queue
import socket
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pydicom import Dataset, dcmread
from pynetdicom import AE, evt
from pynetdicom.sop_class import StorageCommitmentPushModel  # type: ignore[attr-defined]

from archiver.network.node.node import Node
from archiver.network.outbox.outbox import Outbox
from archiver.network.peers import DimsePeer
from tests.network import node_samples as samples
from tests.network.client_peers import pynetdicom_server, storing
from tests.network.node_serving import TITLE, run, serving, store

COMMITMENT, INSTANCE = "1.2.840.10008.1.20.1", "1.2.840.10008.1.20.1.1"


@contextmanager
def storescp(folder: Path, *words: str) -> Iterator[int]:
    """DCMTK's storescp on a free port, as the destination LIGHTBOX."""
    folder.mkdir()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    command = ["storescp", "-aet", "LIGHTBOX", "-od", str(folder), *words, str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(200):
            if run("echoscu", "127.0.0.1", port).returncode == 0:
                break
        else:
            raise AssertionError("storescp does not listen")
        yield port
    finally:
        process.terminate()
        process.wait()


def peer(title: str, port: int) -> DimsePeer:
    return DimsePeer(name=title.lower(), host="127.0.0.1", port=port, title=title, calling=TITLE)


def filled(node: Node, folder: Path, count: int = 3) -> list[Path]:
    files = [samples.save(samples.photograph(n), folder) for n in range(1, count + 1)]
    store(node.dimse.port, *files)
    return files


def get(node: Node, folder: Path, *words: str, keys: Sequence[str] = ()) -> str:
    folder.mkdir(exist_ok=True)
    asked = keys or ("QueryRetrieveLevel=STUDY", f"StudyInstanceUID={samples.study_uid(1)}")
    command: list[object] = ["getscu", "-v", "-S", "-aec", TITLE, "-od", folder, *words]
    for key in asked:
        command += ["-k", key]
    return run(*command, "127.0.0.1", node.dimse.port).stdout


def by_uid(folder: Path) -> dict[str, Path]:
    return {str(dcmread(p).SOPInstanceUID): p for p in folder.iterdir() if p.is_file()}


def test_a_study_is_fetched_byte_for_byte_by_get(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as node:
        files = filled(node, tmp_path / "sent")
        said = get(node, tmp_path / "got", "+xy", "+B")
        got = by_uid(tmp_path / "got")
        assert len(got) == 3, said
        for file in files:
            found = got[str(dcmread(file).SOPInstanceUID)]
            assert samples.dataset_bytes(found) == samples.dataset_bytes(file)


def test_one_instance_is_fetched_by_a_list_of_uids(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as node:
        filled(node, tmp_path / "sent")
        two = "\\".join(samples.instance_uid(n) for n in (1, 3))
        keys = (
            "QueryRetrieveLevel=IMAGE",
            f"StudyInstanceUID={samples.study_uid(1)}",
            f"SeriesInstanceUID={samples.series_uid(1)}",
            f"SOPInstanceUID={two}",
        )
        get(node, tmp_path / "got", "+xy", keys=keys)
        assert set(by_uid(tmp_path / "got")) == {samples.instance_uid(1), samples.instance_uid(3)}


def test_a_peer_without_jpeg_gets_decoded_copies_that_own_up_to_their_loss(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as node:
        filled(node, tmp_path / "sent", 1)
        get(node, tmp_path / "got", "+xe")
        [path] = (tmp_path / "got").iterdir()
        found = dcmread(path)
    assert found.SOPInstanceUID == samples.instance_uid(1)
    assert found.PhotometricInterpretation == "RGB"
    assert (found.LossyImageCompression, found.LossyImageCompressionMethod) == ("01", "ISO_10918_1")
    # Pillow is an independent decoder of the same stream; IDCTs may differ by a level or two.
    expected = np.asarray(Image.open(io.BytesIO(samples.jpeg(seed=1))).convert("RGB"), np.int16)
    assert np.abs(found.pixel_array.astype(np.int16) - expected).max() <= 3


def test_nothing_found_is_a_success_without_objects(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as node:
        said = get(node, tmp_path / "got", "+xy")
        assert "Success" in said, said
        assert not list((tmp_path / "got").iterdir())


def move(node: Node, destination: str, *keys: str) -> str:
    command: list[object] = ["movescu", "-v", "-S", "-aec", TITLE, "-aem", destination]
    asked = keys or ("QueryRetrieveLevel=STUDY", f"StudyInstanceUID={samples.study_uid(1)}")
    for key in asked:
        command += ["-k", key]
    return run(*command, "127.0.0.1", node.dimse.port).stdout


def test_a_study_is_moved_byte_for_byte_to_a_known_destination(tmp_path: Path) -> None:
    with (
        storescp(tmp_path / "got", "+xa", "+B") as port,
        serving(tmp_path / "archive", peers=[peer("LIGHTBOX", port)]) as node,
    ):
        files = filled(node, tmp_path / "sent")
        said = move(node, "LIGHTBOX")
        assert "Success" in said, said
    got = by_uid(tmp_path / "got")
    assert len(got) == 3
    for file in files:
        found = got[str(dcmread(file).SOPInstanceUID)]
        assert samples.dataset_bytes(found) == samples.dataset_bytes(file)
    # Should one be amended, whoever got it is owed what takes its place.
    with Outbox.open(tmp_path / "archive") as outbox:
        assert outbox.holders() == {"lightbox": set(got)}


def test_a_destination_that_has_them_already_is_no_failure(tmp_path: Path) -> None:
    """PS3.4 C.4.2.1.5: B000, sub-operations with a warning."""
    with (
        pynetdicom_server([storing({}, 0x0111)]) as port,
        serving(tmp_path / "archive", peers=[peer("CLINIC", port)]) as node,
    ):
        files = filled(node, tmp_path / "sent", 2)
        key = f"StudyInstanceUID={samples.study_uid(1)}"
        words = ("-d", "-S", "-aec", TITLE, "-aem", "CLINIC", "-k", "QueryRetrieveLevel=STUDY")
        said = run("movescu", *words, "-k", key, "127.0.0.1", node.dimse.port).stdout
        assert "Completed Suboperations       : 0" in said, said
        assert "Warning Suboperations         : 2" in said, said
        assert "Failed Suboperations          : 0" in said, said
    with Outbox.open(tmp_path / "archive") as outbox:
        there = {str(dcmread(file).SOPInstanceUID) for file in files}
        assert outbox.holders() == {"clinic": there}


def test_an_unknown_destination_is_refused(tmp_path: Path) -> None:
    """PS3.4 C.4.2.1.5: A801."""
    with serving(tmp_path / "archive") as node:
        filled(node, tmp_path / "sent", 1)
        assert "MoveDestinationUnknown" in move(node, "NOWHERE")


def test_a_destination_that_is_away_fails_all_suboperations(tmp_path: Path) -> None:
    """PS3.4 C.4.2.1.5: A702."""
    with serving(tmp_path / "archive", peers=[peer("LIGHTBOX", 9)]) as node:
        filled(node, tmp_path / "sent", 1)
        said = move(node, "LIGHTBOX")
        assert "SubOperations" in said or "Suboperations" in said, said


class TestCommitment:
    """Storage Commitment Push (PS3.4 annex J), asked for by pynetdicom."""

    def request(self, *uids: str, sop_class: str = samples.PHOTOGRAPH) -> Dataset:
        asked = Dataset()
        asked.TransactionUID = "1.2.826.0.1.3680043.8.498.99.1"
        asked.ReferencedSOPSequence = []
        for uid in uids:
            item = Dataset()
            item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = sop_class, uid
            asked.ReferencedSOPSequence.append(item)
        return asked

    def ask(self, node: Node, asked: Dataset) -> tuple[int, Dataset]:
        """Ask and wait for the report on the same association."""
        reports: queue.Queue[tuple[int, Dataset]] = queue.Queue()

        def heard(event: evt.Event) -> tuple[int, None]:
            reports.put((event.event_type, event.event_information))
            return 0x0000, None

        entity = AE(ae_title="CAMERA1")
        entity.add_requested_context(StorageCommitmentPushModel)
        association = entity.associate(
            "127.0.0.1",
            node.dimse.port,
            ae_title=TITLE,
            evt_handlers=[(evt.EVT_N_EVENT_REPORT, heard)],
        )
        status, _ = association.send_n_action(asked, 1, COMMITMENT, INSTANCE)
        assert status.Status == 0x0000
        found = reports.get(timeout=20)
        association.release()
        return found

    def test_what_is_kept_is_committed(self, tmp_path: Path) -> None:
        with serving(tmp_path / "archive") as node:
            filled(node, tmp_path / "sent")
            uids = [samples.instance_uid(n) for n in (1, 2, 3)]
            kind, report = self.ask(node, self.request(*uids))
        assert kind == 1
        assert [one.ReferencedSOPInstanceUID for one in report.ReferencedSOPSequence] == uids
        assert "FailedSOPSequence" not in report

    def test_what_is_not_kept_or_not_whole_fails_with_its_reason(self, tmp_path: Path) -> None:
        """PS3.3 C.14.1.1: 0112 no such instance, 0110 processing failure."""
        with serving(tmp_path / "archive") as node:
            filled(node, tmp_path / "sent")
            damaged = node.archive.path_of(samples.instance_uid(2))
            assert damaged is not None
            data = bytearray(damaged.read_bytes())
            data[-100] ^= 1
            damaged.write_bytes(data)
            uids = [samples.instance_uid(n) for n in (1, 2, 99)]
            kind, report = self.ask(node, self.request(*uids))
        assert kind == 2
        failed = {f.ReferencedSOPInstanceUID: f.FailureReason for f in report.FailedSOPSequence}
        assert failed == {samples.instance_uid(2): 0x0110, samples.instance_uid(99): 0x0112}
        assert len(report.ReferencedSOPSequence) == 1

    def test_another_class_than_that_of_the_instance_is_a_conflict(self, tmp_path: Path) -> None:
        with serving(tmp_path / "archive") as node:
            filled(node, tmp_path / "sent", 1)
            asked = self.request(samples.instance_uid(1), sop_class=samples.INTRAORAL)
            kind, report = self.ask(node, asked)
        assert (kind, report.FailedSOPSequence[0].FailureReason) == (2, 0x0119)

    # The caller's own pynetdicom may be about to answer the report in the moment of its abort,
    # which its state machine does not allow for; what the node does then is what counts here.
    @pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
    def test_a_peer_that_has_left_gets_its_report_on_a_new_association(
        self, tmp_path: Path
    ) -> None:
        reports: queue.Queue[Dataset] = queue.Queue()

        def heard(event: evt.Event) -> tuple[int, None]:
            reports.put(event.event_information)
            return 0x0000, None

        entity = AE(ae_title="CAMERA1")
        entity.add_supported_context(StorageCommitmentPushModel, scu_role=True, scp_role=True)
        handlers = [(evt.EVT_N_EVENT_REPORT, heard)]
        server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
        port = server.socket.getsockname()[1]
        try:
            with serving(tmp_path / "archive", peers=[peer("CAMERA1", port)]) as node:
                filled(node, tmp_path / "sent", 1)
                caller = AE(ae_title="CAMERA1")
                caller.add_requested_context(StorageCommitmentPushModel)
                association = caller.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
                asked = self.request(samples.instance_uid(1))
                status, _ = association.send_n_action(asked, 1, COMMITMENT, INSTANCE)
                assert status.Status == 0x0000
                association.abort()
                report = reports.get(timeout=20)
        finally:
            server.shutdown()
        assert report.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == samples.instance_uid(1)

    @pytest.mark.parametrize("missing", ["TransactionUID", "ReferencedSOPSequence"])
    def test_a_request_without_its_parts_is_refused(self, tmp_path: Path, missing: str) -> None:
        with serving(tmp_path / "archive") as node:
            asked = self.request(samples.instance_uid(1))
            delattr(asked, missing)
            asked.PatientID = "P"
            caller = AE()
            caller.add_requested_context(StorageCommitmentPushModel)
            association = caller.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
            status, _ = association.send_n_action(asked, 1, COMMITMENT, INSTANCE)
            association.release()
            assert status.Status == 0x0115
