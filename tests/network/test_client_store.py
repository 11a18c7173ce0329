"""Sending to DCMTK's storescp and to servers that answer what they should not."""

from __future__ import annotations

import io
import re
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.encaps import generate_frames
from pynetdicom import evt

from archiver.errors import ArchiverError, NetworkError, RefusedForGood
from archiver.network.client.dimse.store import send
from archiver.network.client.dimse.verification import echo
from archiver.network.outgoing_object import OutgoingObject, Sent, read_parcel
from archiver.network.peers import TimeLimits
from archiver.network.statuses import Category
from tests.network import client_objects as objects
from tests.network import client_peers as peers


@pytest.fixture(scope="module")
def parcels() -> list[OutgoingObject]:
    """The instances of three photographs: baseline and lossless JPEG."""
    archive = objects.shared_photographs()
    return [read_parcel(Path(r.path)) for r in objects.records(archive)]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> peers.Certificates:
    return peers.certificates(tmp_path_factory.mktemp("tls"))


def _all_sent(results: Iterator[tuple[OutgoingObject, Sent | ArchiverError]]) -> list[Sent]:
    found = []
    for _, result in results:
        assert isinstance(result, Sent), result
        assert result.status.category is Category.SUCCESS
        found.append(result)
    return found


def _arrived(folder: Path) -> dict[str, bytes]:
    return {
        str(pydicom.dcmread(p, stop_before_pixels=True).SOPInstanceUID): objects.data_set(p)
        for p in folder.iterdir()
    }


def _as_kept(parcels: list[OutgoingObject]) -> dict[str, bytes]:
    return {p.sop_instance: objects.data_set(p.path) for p in parcels}


def test_objects_reach_storescp_byte_for_byte(
    tmp_path: Path, parcels: list[OutgoingObject]
) -> None:
    with peers.storescp(tmp_path / "got", "+xa") as port:
        peer = peers.peer_at(port)
        assert echo(peer).code == 0
        sent = _all_sent(send(peer, parcels))
    assert {p.transfer_syntax for p in parcels} == {peers.BASELINE, peers.LOSSLESS}
    assert not any(one.recoded for one in sent)
    assert _arrived(tmp_path / "got") == _as_kept(parcels)


def test_objects_reach_storescp_by_tls_byte_for_byte(
    tmp_path: Path, parcels: list[OutgoingObject], files: peers.Certificates
) -> None:
    options = ("+xa", "+tls", files.server_key, files.server, "+cf", files.authority, "-rc")
    with peers.storescp(tmp_path / "got", *options) as port:
        peer = peers.peer_at(port, tls=files.tls)
        assert echo(peer).code == 0
        _all_sent(send(peer, parcels))
    assert _arrived(tmp_path / "got") == _as_kept(parcels)


def _slowly(kept: dict[str, bytes]) -> tuple[Any, Any]:
    """Bind C-STORE so that each object takes a while."""
    event, take = peers.storing(kept)

    def slow(told: Any) -> int:
        threading.Event().wait(0.15)
        return int(take(told))

    return event, slow


@pytest.mark.parametrize("allowed", [1, 2, 3, 8])
def test_as_many_associations_are_open_as_are_set_and_the_peer_accepts(
    parcels: list[OutgoingObject], allowed: int
) -> None:
    kept: dict[str, bytes] = {}
    opened: list[Any] = []
    handlers = [_slowly(kept), (evt.EVT_ACCEPTED, opened.append)]
    with peers.pynetdicom_server(handlers, maximum_associations=allowed) as port:
        sent = [*parcels, *parcels]  # the same again does no harm
        _all_sent(send(peers.peer_at(port, associations=3), sent))
    assert len(opened) == min(allowed, 3)
    assert kept == _as_kept(parcels)


def test_what_is_soon_sent_needs_no_second_association(parcels: list[OutgoingObject]) -> None:
    opened: list[Any] = []
    with peers.pynetdicom_server([peers.storing({}), (evt.EVT_ACCEPTED, opened.append)]) as port:
        _all_sent(send(peers.peer_at(port, associations=3), parcels[:1]))
    assert len(opened) == 1


def test_a_peer_that_answers_one_association_at_a_time_gets_everything_on_it(
    tmp_path: Path, parcels: list[OutgoingObject]
) -> None:
    """storescp without a process for each association leaves the second one unanswered."""
    with peers.storescp(tmp_path / "got", "+xa", "--sleep-after", 1) as port:
        _all_sent(send(peers.peer_at(port, associations=3), parcels))
    assert _arrived(tmp_path / "got") == _as_kept(parcels)


def test_objects_reach_storescp_on_parallel_associations(
    tmp_path: Path, parcels: list[OutgoingObject]
) -> None:
    with peers.storescp(tmp_path / "got", "+xa", "--fork", "--sleep-after", 1) as port:
        _all_sent(send(peers.peer_at(port, associations=3), parcels))
    assert _arrived(tmp_path / "got") == _as_kept(parcels)


@pytest.mark.parametrize("longest", [4096, 16384, 131072])
def test_objects_of_any_length_fit_the_peers_pdus(tmp_path: Path, longest: int) -> None:
    """Lengths around one, two and many PDUs, so that the last PDU is full, short and tiny."""
    from pydicom.uid import generate_uid

    sent = []
    for number, size in enumerate((2, 4082, 4084, 4086, 8164, 8168, 131_060, 131_062, 700_001)):
        made = pydicom.dcmread(io.BytesIO(_small()), force=False)
        made.SOPInstanceUID = made.file_meta.MediaStorageSOPInstanceUID = generate_uid()
        made.add_new(0x00420011, "OB", bytes([number]) * (size + size % 2))
        path = tmp_path / f"{number}.dcm"
        made.save_as(path)
        sent.append(read_parcel(path))
    with peers.storescp(tmp_path / "got", "-pdu", longest) as port:
        _all_sent(send(peers.peer_at(port), sent))
    assert _arrived(tmp_path / "got") == _as_kept(sent)


def _small() -> bytes:
    from tests.archive import archive_samples

    return archive_samples.as_bytes(archive_samples.dataset(1, pixels=b"1234"))


@pytest.mark.parametrize(("option", "syntax"), [("+xe", peers.EXPLICIT), ("+xi", peers.IMPLICIT)])
def test_a_peer_that_takes_only_uncompressed_gets_a_decoded_copy_that_declares_its_loss(
    tmp_path: Path, parcels: list[OutgoingObject], option: str, syntax: str
) -> None:
    with peers.storescp(tmp_path / "got", option) as port:
        sent = _all_sent(send(peers.peer_at(port), parcels))
    assert all(one.recoded and one.transfer_syntax == syntax for one in sent)
    got = {ds.SOPInstanceUID: ds for ds in map(pydicom.dcmread, (tmp_path / "got").iterdir())}
    for parcel in parcels:
        kept, copy = pydicom.dcmread(parcel.path), got[parcel.sop_instance]
        assert copy.file_meta.TransferSyntaxUID == syntax
        assert (copy.PhotometricInterpretation, copy.PlanarConfiguration) == ("RGB", 0)
        for keyword in (
            "LossyImageCompression",
            "LossyImageCompressionMethod",
            "LossyImageCompressionRatio",
            "ViewCodeSequence",
            "AcquisitionContextSequence",
            "PatientName",
        ):
            assert copy.get(keyword) == kept.get(keyword), keyword
        if parcel.transfer_syntax == peers.BASELINE:
            assert copy.LossyImageCompression == "01"
        pixels = np.frombuffer(copy.PixelData, np.uint8)[: copy.Rows * copy.Columns * 3]
        np.testing.assert_array_equal(
            pixels.reshape(copy.Rows, copy.Columns, 3), _decoded(kept, parcel.transfer_syntax)
        )


def _decoded(kept: pydicom.Dataset, syntax: str) -> Any:
    """The pixels as djpeg decodes them; lossless ones as pydicom's plugins do."""
    if syntax == peers.LOSSLESS:
        return kept.pixel_array
    (frame,) = generate_frames(kept.PixelData, number_of_frames=1)
    shown = subprocess.run(["djpeg", "-ppm"], input=frame, capture_output=True, check=True)
    return np.asarray(Image.open(io.BytesIO(shown.stdout)))


def test_a_peer_that_takes_neither_gets_nothing_and_a_clear_error(
    parcels: list[OutgoingObject],
) -> None:
    kept: dict[str, bytes] = {}
    deflated = "1.2.840.10008.1.2.1.99"
    with peers.pynetdicom_server([peers.storing(kept)], syntaxes=[deflated]) as port:
        results = [result for _, result in send(peers.peer_at(port), parcels)]
    assert not kept
    for result in results:
        assert isinstance(result, NetworkError)
        assert "accepts none" in str(result) or "nothing was sent" in str(result)


def test_objects_that_a_peer_cannot_take_do_not_stop_those_that_it_can(
    parcels: list[OutgoingObject],
) -> None:
    kept: dict[str, bytes] = {}
    with peers.pynetdicom_server([peers.storing(kept)], syntaxes=[peers.BASELINE]) as port:
        results = dict(send(peers.peer_at(port), parcels))
    for parcel, result in results.items():
        if parcel.transfer_syntax == peers.BASELINE:
            assert isinstance(result, Sent) and not result.recoded
            assert kept[parcel.sop_instance] == objects.data_set(parcel.path)
        else:
            assert isinstance(result, RefusedForGood)
            assert "neither as JPEG Lossless" in str(result)
            assert "nothing was sent" in str(result)


def test_a_refused_association_is_told_in_words(
    tmp_path: Path, parcels: list[OutgoingObject]
) -> None:
    with (
        peers.storescp(tmp_path / "got", "--refuse") as port,
        pytest.raises(NetworkError, match="refuses the association"),
    ):
        echo(peers.peer_at(port))
    called = []
    with peers.pynetdicom_server([], require_called_aet=True) as port:
        called = [str(result) for _, result in send(peers.peer_at(port, title="WRONG"), parcels)]
    assert called and all("does not know the title that we called it by" in c for c in called)


def test_a_peer_that_is_not_there_is_told_in_words() -> None:
    with pytest.raises(NetworkError, match="cannot be reached: connection refused"):
        echo(peers.peer_at(peers.free_port()))
    with pytest.raises(NetworkError, match="name of the host is not known"):
        echo(peers.peer_at(1, host="no-such-host.invalid"))


@pytest.mark.parametrize("option", ["--abort-after", "--abort-during"])
def test_an_abort_costs_an_error_and_no_hang(
    tmp_path: Path, parcels: list[OutgoingObject], option: str
) -> None:
    with peers.storescp(tmp_path / "got", "+xa", option) as port:
        results = [result for _, result in send(peers.peer_at(port), parcels)]
    assert len(results) == len(parcels)
    for result in results:
        assert isinstance(result, NetworkError)
        assert not isinstance(result, RefusedForGood)
        assert "ended the association" in str(result)


def test_a_peer_that_hangs_is_left_after_its_time(
    tmp_path: Path, parcels: list[OutgoingObject]
) -> None:
    limits = TimeLimits(connect=5, answer=0.5)
    with peers.storescp(tmp_path / "got", "+xa", "--sleep-during", 2) as port:
        ((_, result),) = send(peers.peer_at(port, limits=limits), parcels[:1])
    assert isinstance(result, NetworkError)
    assert "silent for 0.5 s" in str(result)
    with peers.silent_server() as port, pytest.raises(NetworkError, match="silent"):
        echo(peers.peer_at(port, limits=TimeLimits(connect=0.5, answer=0.5)))


@pytest.mark.parametrize(
    ("code", "category", "words"),
    [
        (0xA700, Category.FAILURE, "out of resources"),
        (0xA900, Category.FAILURE, "does not match its SOP class"),
        (0xC001, Category.FAILURE, "cannot understand"),
        (0x0124, Category.FAILURE, "does not allow it"),
        (0xB000, Category.WARNING, "changed elements"),
        (0xB007, Category.WARNING, "although"),
    ],
)
def test_failures_and_warnings_are_told_in_words(
    parcels: list[OutgoingObject], code: int, category: Category, words: str
) -> None:
    with peers.pynetdicom_server([peers.storing({}, code)]) as port:
        ((_, result),) = send(peers.peer_at(port), parcels[:1])
    assert isinstance(result, Sent)
    assert result.status.category is category
    assert words in str(result.status.meaning)
    assert f"{code:04X}" in str(result.status)


def test_one_association_carries_all_objects(parcels: list[OutgoingObject]) -> None:
    opened: list[Any] = []
    handlers = [peers.storing({}), (evt.EVT_ACCEPTED, opened.append)]
    with peers.pynetdicom_server(handlers) as port:
        _all_sent(send(peers.peer_at(port, associations=1), parcels))
    assert len(opened) == 1


def test_a_certificate_of_a_strange_authority_is_refused(
    tmp_path: Path, files: peers.Certificates
) -> None:
    strange = tmp_path / "strange"
    strange.mkdir()
    other = peers.certificates(strange)
    options = ("+tls", other.server_key, other.server, "+cf", files.authority, "-ic")
    with (
        peers.storescp(tmp_path / "got", *options) as port,
        pytest.raises(NetworkError, match="certificate is not accepted"),
    ):
        echo(peers.peer_at(port, tls=files.tls))


def test_a_plain_peer_is_not_spoken_to_where_tls_is_set(
    tmp_path: Path, files: peers.Certificates
) -> None:
    told = "TLS was not agreed: the peer ended the connection; is it plain?"
    with (
        peers.storescp(tmp_path / "got") as port,
        pytest.raises(NetworkError, match=re.escape(told)),
    ):
        echo(peers.peer_at(port, tls=files.tls))


def test_tls_older_than_1_2_is_refused(tmp_path: Path, files: peers.Certificates) -> None:
    import ssl

    from archiver.network.tls import client_context

    context = client_context(files.tls, "here")
    assert context.minimum_version is ssl.TLSVersion.TLSv1_2
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.check_hostname
