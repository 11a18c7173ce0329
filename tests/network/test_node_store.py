"""What DCMTK stores to the node is kept byte for byte, or refused with a reason."""

from __future__ import annotations

import io
import json
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
import trustme
from pydicom import dcmread
from pydicom.uid import DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian

from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, run, serving, store


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Node]:
    with serving(tmp_path / "archive") as one:
        yield one


def kept(node: Node, number: int) -> Path:
    path = node.archive.path_of(samples.instance_uid(number))
    assert path is not None
    return path


def test_verification_is_answered(node: Node) -> None:
    result = run("echoscu", "-aec", TITLE, "127.0.0.1", node.dimse.port)
    assert result.returncode == 0, result.stdout


def test_a_photograph_is_kept_byte_for_byte(node: Node, tmp_path: Path) -> None:
    file = samples.save(samples.photograph(1), tmp_path)
    store(node.dimse.port, file)
    assert samples.dataset_bytes(kept(node, 1)) == samples.dataset_bytes(file)
    assert not list(node.archive.layout.temporary.iterdir())


def test_a_radiograph_is_kept_byte_for_byte(node: Node, tmp_path: Path) -> None:
    file = samples.save(samples.radiograph(2), tmp_path)
    store(node.dimse.port, file, words=())
    assert samples.dataset_bytes(kept(node, 2)) == samples.dataset_bytes(file)


@pytest.mark.parametrize(
    ("syntax", "words"),
    [(ImplicitVRLittleEndian, ["-xi"]), (DeflatedExplicitVRLittleEndian, ["-xd"])],
)
def test_other_encodings_are_kept_as_they_come(
    node: Node, tmp_path: Path, syntax: str, words: list[str]
) -> None:
    ds = samples.radiograph(3)
    ds.file_meta.TransferSyntaxUID = syntax
    file = tmp_path / "other.dcm"
    ds.save_as(file, implicit_vr=syntax == ImplicitVRLittleEndian, enforce_file_format=True)
    store(node.dimse.port, file, words=words)
    found = dcmread(kept(node, 3))
    assert found.file_meta.TransferSyntaxUID == syntax
    assert found.PixelData == ds.PixelData


def test_an_object_sent_twice_is_confirmed_twice_and_kept_once(node: Node, tmp_path: Path) -> None:
    file = samples.save(samples.photograph(1), tmp_path)
    store(node.dimse.port, file)
    assert "Success" in store(node.dimse.port, file)
    assert len(node.archive) == 1


def test_another_object_under_a_known_uid_is_refused(node: Node, tmp_path: Path) -> None:
    first = samples.save(samples.photograph(1), tmp_path / "first")
    other = samples.save(samples.photograph(1, ImageComments="changed"), tmp_path / "other")
    store(node.dimse.port, first)
    words = ("storescu", "-v", "-xy", "-aec", TITLE, "127.0.0.1", node.dimse.port, other)
    said = run(*words).stdout
    assert "0x111" in said, said
    assert samples.dataset_bytes(kept(node, 1)) == samples.dataset_bytes(first)


def test_a_picture_that_breaks_off_is_refused(node: Node, tmp_path: Path) -> None:
    ds = samples.radiograph(4)
    file = samples.save(ds, tmp_path)
    data = file.read_bytes()
    at = data.index(b"\xe0\x7f\x10\x00OW\x00\x00") + 8
    longer = int.from_bytes(data[at : at + 4], "little") + 1000
    file.write_bytes(data[:at] + longer.to_bytes(4, "little") + data[at + 4 :])
    refused = _store_raw(node, ds.SOPClassUID, ds.SOPInstanceUID, samples.dataset_bytes(file))
    assert refused == 0xC000
    assert not node.archive.has(ds.SOPInstanceUID)


def test_an_object_with_another_uid_than_announced_is_refused(node: Node, tmp_path: Path) -> None:
    ds = samples.radiograph(5)
    data = samples.dataset_bytes(samples.save(ds, tmp_path))
    assert _store_raw(node, ds.SOPClassUID, samples.instance_uid(6), data) == 0xA900
    assert len(node.archive) == 0


def test_what_is_no_dataset_is_refused(node: Node) -> None:
    uid = samples.instance_uid(7)
    assert _store_raw(node, samples.INTRAORAL, uid, b"\x08\x00" + b"nonsense" * 50) == 0xC000


def _store_raw(node: Node, sop_class: str, sop_instance: str, data: bytes) -> int:
    """Send any bytes as a dataset, as Explicit VR Little Endian."""
    from io import BytesIO

    from pydicom.uid import UID
    from pynetdicom import AE
    from pynetdicom.dimse_primitives import C_STORE

    entity = AE()
    entity.add_requested_context(sop_class, "1.2.840.10008.1.2.1")
    association = entity.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
    assert association.is_established
    request = C_STORE()
    request.MessageID, request.Priority = 1, 0
    request.AffectedSOPClassUID, request.AffectedSOPInstanceUID = UID(sop_class), UID(sop_instance)
    request.DataSet = BytesIO(data)
    association._reactor_checkpoint.clear()
    association.dimse.send_msg(request, 1)
    _, answer = association.dimse.get_msg(block=True)
    association._reactor_checkpoint.set()
    association.release()
    assert answer is not None
    return int(answer.Status)


def test_an_object_larger_than_allowed_is_refused_and_the_next_is_taken(tmp_path: Path) -> None:
    with serving(tmp_path / "archive", limits=NodeLimits(object_megabytes=1)) as node:
        large = samples.save(samples.photograph(1, frame=b"\xff\xd8" + bytes(2 << 20)), tmp_path)
        small = samples.save(samples.photograph(2), tmp_path)
        words = ("storescu", "-v", "-nh", "-xy", "-aec", TITLE, "127.0.0.1", node.dimse.port)
        said = run(*words, large, small).stdout
        assert "OutOfResources" in said, said
        assert not node.archive.has(samples.instance_uid(1))
        assert node.archive.has(samples.instance_uid(2))


def test_a_caller_that_is_not_allowed_is_rejected_and_journalled(tmp_path: Path) -> None:
    with serving(tmp_path / "archive", callers=("CAMERA1",)) as node:
        words = ("echoscu", "-aec", TITLE, "127.0.0.1", node.dimse.port)
        assert run(*words, "-aet", "STRANGER").returncode != 0
        assert run(*words, "-aet", "CAMERA1").returncode == 0
        wrong_called = ("echoscu", "-aet", "CAMERA1", "-aec", "OTHER", "127.0.0.1", node.dimse.port)
        assert run(*wrong_called).returncode != 0
        journal = node.archive.layout.journal
    notes = [json.loads(line)["note"] for line in journal.read_text().splitlines()]
    assert any("STRANGER@127.0.0.1" in note and "110113" in note for note in notes)


def test_an_address_that_is_not_allowed_is_turned_away(tmp_path: Path) -> None:
    with serving(tmp_path / "archive", networks=("192.0.2.0/24",)) as node:
        assert run("echoscu", "-aec", TITLE, "127.0.0.1", node.dimse.port).returncode != 0


def test_every_stored_study_has_its_audit_event(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as node:
        files = [samples.save(samples.photograph(n, study=n), tmp_path) for n in (1, 2)]
        store(node.dimse.port, *files)
        journal = node.archive.layout.journal
    lines = [json.loads(line) for line in journal.read_text().splitlines()]
    events = [(e["study"], json.loads(e["note"])) for e in lines if e["action"] == "audit"]
    received = {study: note for study, note in events if note["event"] == "110104"}
    assert set(received) == {samples.study_uid(1), samples.study_uid(2)}
    for note in received.values():
        # PS3.15 A.5.3.7: create, success, source and destination.
        assert (note["action"], note["outcome"], note["instances"]) == ("C", 0, 1)
        assert note["from"] == "STORESCU@127.0.0.1"
        assert note["to"] == TITLE
    text = journal.read_text()
    assert "Okafor" not in text
    assert "P-0417" not in text


def test_findings_of_validation_are_kept(node: Node, tmp_path: Path) -> None:
    store(node.dimse.port, samples.save(samples.photograph(1), tmp_path))
    assert node.validation is not None
    assert node.validation.wait(30)
    findings = node.validation.findings(samples.instance_uid(1))
    assert findings is not None
    # The sample lacks Acquisition Context Sequence, type 2 in this IOD (PS3.3 A.32.4).
    assert any("AcquisitionContextSequence" in f.attribute for f in findings)


class TestTls:
    @pytest.fixture
    def files(self, tmp_path: Path) -> dict[str, Path]:
        authority = trustme.CA()
        ours = authority.issue_cert("127.0.0.1", "localhost")
        theirs = authority.issue_cert("peer.example")
        found = {name: tmp_path / f"{name}.pem" for name in ("ca", "cert", "key", "pcert", "pkey")}
        authority.cert_pem.write_to_path(found["ca"])
        ours.private_key_pem.write_to_path(found["key"])
        found["cert"].write_bytes(b"".join(b.bytes() for b in ours.cert_chain_pems))
        theirs.private_key_pem.write_to_path(found["pkey"])
        found["pcert"].write_bytes(b"".join(b.bytes() for b in theirs.cert_chain_pems))
        return found

    def test_storing_works_over_tls(self, tmp_path: Path, files: dict[str, Path]) -> None:
        with serving(tmp_path / "a", certificate=files["cert"], key=files["key"]) as node:
            file = samples.save(samples.photograph(1), tmp_path)
            store(node.dimse.port, file, words=["-xy", "+tla", "+cf", str(files["ca"])])
            assert samples.dataset_bytes(kept(node, 1)) == samples.dataset_bytes(file)
            assert run("echoscu", "-aec", TITLE, "127.0.0.1", node.dimse.port).returncode != 0

    def test_a_client_certificate_is_demanded_where_configured(
        self, tmp_path: Path, files: dict[str, Path]
    ) -> None:
        with serving(
            tmp_path / "a",
            certificate=files["cert"],
            key=files["key"],
            client_authorities=files["ca"],
        ) as node:
            words = ("echoscu", "-aec", TITLE, "127.0.0.1", node.dimse.port, "+cf", files["ca"])
            assert run(*words, "+tla").returncode != 0
            shown = run(*words, "+tls", files["pkey"], files["pcert"])
            assert shown.returncode == 0, shown.stdout

    def test_old_tls_is_refused(self, tmp_path: Path, files: dict[str, Path]) -> None:
        """PS3.15 B.12: nothing older than TLS 1.2."""
        with serving(tmp_path / "a", certificate=files["cert"], key=files["key"]) as node:
            for version, accepted in (("-tls1_1", False), ("-tls1_2", True), ("-tls1_3", True)):
                where = f"127.0.0.1:{node.dimse.port}"
                words = ["openssl", "s_client", version, "-cipher", "DEFAULT@SECLEVEL=0"]
                result = subprocess.run(
                    [*words, "-connect", where], input="", capture_output=True, text=True
                )
                assert ("Cipher is (NONE)" not in result.stdout) is accepted, version

    def test_a_peer_that_stalls_in_the_handshake_holds_nobody_up(
        self, tmp_path: Path, files: dict[str, Path]
    ) -> None:
        limits = NodeLimits(negotiation_seconds=120)
        own = {"certificate": files["cert"], "key": files["key"], "limits": limits}
        with (
            serving(tmp_path / "a", **own) as node,
            socket.create_connection(("127.0.0.1", node.dimse.port)),
        ):
            words = ("echoscu", "-aec", TITLE, "127.0.0.1", node.dimse.port)
            result = run(*words, "+tla", "+cf", files["ca"], timeout=60)
            assert result.returncode == 0, result.stdout


def test_the_header_of_an_object_that_arrives_is_parsed_once(
    node: Node, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pydicom

    parsed = []
    original = pydicom.dcmread

    def counting(*args: object, **kwargs: object) -> object:
        parsed.append(args)
        return original(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(pydicom, "dcmread", counting)
    store(node.dimse.port, samples.save(samples.photograph(1), tmp_path))
    assert len(parsed) == 1


def test_who_stores_somebody_else_under_a_known_identifier_is_taken_and_told(
    node: Node, tmp_path: Path
) -> None:
    known, other = samples.radiograph(1, study=1), samples.radiograph(2, study=2)
    other.PatientName = "Okoro-Blythe^Ada"
    for ds in (known, other):
        store(node.dimse.port, samples.save(ds, tmp_path), words=())
    assert kept(node, 1).exists() and kept(node, 2).exists()
    written = node.log._stream
    assert isinstance(written, io.StringIO)
    lines = [json.loads(line) for line in written.getvalue().splitlines()]
    told = [line for line in lines if line["event"] == "patient in doubt"]
    assert len(told) == 1
    assert "Okoro" not in json.dumps(lines)
