"""One frame of a large object: read alone, whatever tables tell where it lies (PS3.5 A.4)."""

from __future__ import annotations

import shutil
import struct
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import httpx
import numpy as np
import psutil
import pytest
from pydicom import Dataset, dcmread
from pydicom.encaps import encapsulate, encapsulate_extended
from pydicom.uid import ExplicitVRBigEndian, RLELossless

from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.store import Archive
from archiver.errors import ObjectError
from archiver.objects import StoredFrames
from tests.network import node_samples as samples
from tests.network.node_serving import Served, run
from tests.new_archive import new_archive

CT = "1.2.840.10008.5.1.4.1.1.2.1"
SIDE, FRAMES = 512, 500
#: Megabytes above idle, the node and its workers together, and seconds for a frame after the first.
MOST_MEMORY, MOST_SECONDS = 150, 0.1


def _pixels(number: int, side: int = SIDE) -> bytes:
    return (np.add.outer(np.arange(side), np.arange(side)) + number).astype("<u2").tobytes()


@cache
def _coded(number: int, side: int) -> bytes:
    return _rle(_pixels(number, side))


def _rle(frame: bytes) -> bytes:
    """A frame as RLE of literal runs alone (PS3.5 G.3.1)."""

    def segment(octets: bytes) -> bytes:
        whole, rest = len(octets) // 128 * 128, octets[len(octets) // 128 * 128 :]
        runs = np.frombuffer(octets[:whole], np.uint8).reshape(-1, 128)
        coded = np.pad(runs, ((0, 0), (1, 0)), constant_values=127).tobytes()
        coded += bytes([len(rest) - 1]) + rest if rest else b""
        return coded + b"\0" * (len(coded) % 2)

    high, low = segment(frame[1::2]), segment(frame[::2])
    return struct.pack("<16L", 2, 64, 64 + len(high), *[0] * 13) + high + low


def _groups(count: int) -> list[Dataset]:
    """What a CT says of each frame (PS3.3 A.38.1): parsing it takes longer than reading one."""
    groups = []
    for number in range(count):
        group = Dataset()
        for keyword, values in {
            "PlanePositionSequence": {"ImagePositionPatient": [0, 0, float(number)]},
            "PlaneOrientationSequence": {"ImageOrientationPatient": [1, 0, 0, 0, 1, 0]},
            "PixelMeasuresSequence": {"SliceThickness": 1, "PixelSpacing": [0.5, 0.5]},
            "FrameContentSequence": {"StackID": "1", "InStackPositionNumber": number + 1},
            "FrameVOILUTSequence": {"WindowCenter": 40 + number, "WindowWidth": 400},
            "PixelValueTransformationSequence": {"RescaleIntercept": 0, "RescaleSlope": 1},
        }.items():
            item = Dataset()
            item.update(values)
            item.is_undefined_length_sequence_item = True
            setattr(group, keyword, [item])
            group[keyword].is_undefined_length = True
        group.is_undefined_length_sequence_item = True
        groups.append(group)
    return groups


def _volume(number: int, tables: str, count: int = FRAMES, side: int = SIDE) -> Dataset:
    ds = samples.radiograph(number, study=number, series=number)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = CT
    ds.Rows = ds.Columns = side
    ds.NumberOfFrames = count
    ds.PerFrameFunctionalGroupsSequence = _groups(count)
    ds["PerFrameFunctionalGroupsSequence"].is_undefined_length = True
    if tables == "native":
        frames = [_pixels(n, side) for n in range(1, count + 1)]
        ds.add_new(0x7FE00010, "OW", b"".join(frames))
        return ds
    streams = [_coded(n, side) for n in range(1, count + 1)]
    if tables == "extended":
        ds.PixelData, ds.ExtendedOffsetTable, ds.ExtendedOffsetTableLengths = encapsulate_extended(
            streams
        )
    else:
        parts = 2 if tables == "fragments" else 1
        ds.PixelData = encapsulate(streams, fragments_per_frame=parts, has_bot=tables != "none")
    ds["PixelData"].VR = "OB"
    ds["PixelData"].is_undefined_length = True
    ds.file_meta.TransferSyntaxUID = RLELossless
    return ds


class _Peak:
    """Looks at the memory of a process and its workers; use it as a context."""

    def __init__(self, pid: int) -> None:
        self._process = psutil.Process(pid)
        self.idle, self.most = self._now(), 0.0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look)

    def _now(self) -> float:
        total = 0
        for one in [self._process, *self._process.children(recursive=True)]:
            try:
                # What they share counts once, with the node.
                own = one == self._process
                total += one.memory_info().rss if own else one.memory_full_info().uss
            except psutil.Error:
                continue
        return total / 1e6

    def _look(self) -> None:
        while not self._over.wait(0.01):
            self.most = max(self.most, self._now() - self.idle)

    def __enter__(self) -> _Peak:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()


def _where(ds: Dataset, web: str) -> str:
    uids = (ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.SOPInstanceUID)
    return web + "/dicomweb/studies/{}/series/{}/instances/{}/frames/".format(*uids)


TABLES = ("native", "basic", "none", "extended")


@pytest.fixture(scope="module")
def volumes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, dict[str, str]]]:
    """A node that holds a large object of each kind, and where their frames are."""
    folder, where = tmp_path_factory.mktemp("volumes"), {}
    with Archive.open(new_archive(folder / "archive"), actor="tests") as archive:
        for number, tables in enumerate(TABLES, start=1):
            ds = _volume(number, tables)
            path = samples.save(ds, folder)
            add_files(archive, [path])
            path.unlink()
            where[tables] = _where(ds, "")
    with Served(folder / "archive") as served:
        yield served, where
    shutil.rmtree(folder)
    _coded.cache_clear()


@pytest.mark.parametrize("accept", ["as stored", "decoded"])
@pytest.mark.parametrize("tables", TABLES)
def test_eight_frames_at_once_of_a_large_object_take_little_memory_and_time(
    volumes: tuple[Served, dict[str, str]], tables: str, accept: str
) -> None:
    served, where = volumes
    kind = 'multipart/related; type="*/*"; transfer-syntax=*'
    if accept == "decoded":
        kind = 'multipart/related; type="application/octet-stream"'
    with httpx.Client(timeout=120) as client:

        def get(number: int) -> tuple[float, httpx.Response]:
            begun = time.monotonic()
            answer = client.get(f"{served.web}{where[tables]}{number}", headers={"Accept": kind})
            return time.monotonic() - begun, answer

        with ThreadPoolExecutor(8) as eight:
            # Workers stay once they are there: idle is a node that has been asked before.
            assert {one.status_code for _, one in eight.map(get, [1] * 8)} == {200}
        with _Peak(served.process.pid) as peak, ThreadPoolExecutor(8) as eight:
            answers = list(eight.map(get, range(60, 500, 60)))
            warm = [min(get(n)[0] for _ in range(5)) for n in (3, 250, 500)]
        assert peak.most < MOST_MEMORY
        assert max(warm) < MOST_SECONDS, warm
        for number, (_, answer) in zip(range(60, 500, 60), answers, strict=True):
            native = accept == "decoded" or tables == "native"
            wanted = _pixels(number) if native else _rle(_pixels(number))
            assert wanted in answer.content
    print(f"{tables}, {accept}: {peak.most:.0f} MB above idle, {max(warm):.3f} s a frame")


@pytest.mark.parametrize("tables", ["native", "basic", "fragments", "none", "extended"])
def test_every_frame_is_itself_by_every_table(tmp_path: Path, tables: str) -> None:
    ds = _volume(1, tables, 7, 48)
    path = samples.save(ds, tmp_path)
    with StoredFrames(path) as frames:
        for number in range(1, 8):
            wanted = _pixels(number, 48)
            assert frames.frame(number) == (wanted if tables == "native" else _rle(wanted))
        for number in (0, 8):
            with pytest.raises(ObjectError):
                frames.frame(number)


@pytest.mark.parametrize("tables", ["native", "basic"])
def test_a_frame_that_stands_alone_shares_nothing_with_another(tmp_path: Path, tables: str) -> None:
    path = samples.save(_volume(1, tables, 3, 16), tmp_path)
    with StoredFrames(path) as frames, StoredFrames(path) as again:
        one, two = frames.alone(1), again.alone(2)
        one.PhotometricInterpretation = "RGB"
        one.file_meta.TransferSyntaxUID = "1.2.3"
        one.FrameVOILUTSequence[0].WindowCenter = 0
        three = frames.alone(1)
    assert one.PixelData != two.PixelData and "PixelData" not in frames.header
    assert two.PhotometricInterpretation == three.PhotometricInterpretation == "MONOCHROME2"
    assert two.file_meta.TransferSyntaxUID == three.file_meta.TransferSyntaxUID != "1.2.3"
    assert three.FrameVOILUTSequence[0].WindowCenter == 40


def test_a_frame_in_several_fragments_without_a_table_ends_with_its_image(tmp_path: Path) -> None:
    ds = samples.photograph(1)
    streams = [samples.jpeg(seed=n) for n in range(3)]
    streams = [one + b"\0" * (len(one) % 2) for one in streams]
    ds.NumberOfFrames = 3
    ds.PixelData = encapsulate(streams, fragments_per_frame=3, has_bot=False)
    ds["PixelData"].VR = "OB"
    ds["PixelData"].is_undefined_length = True
    with StoredFrames(samples.save(ds, tmp_path)) as frames:
        assert list(frames.frames()) == streams


@pytest.fixture
def words() -> Iterator[np.ndarray]:
    yield np.arange(48 * 64, dtype="<u2")


def test_a_big_endian_frame_comes_in_the_byte_order_that_is_named(
    tmp_path: Path, words: np.ndarray
) -> None:
    path = samples.save(samples.radiograph(1), tmp_path)
    big = tmp_path / "big.dcm"
    assert run("dcmconv", "+tb", path, big).returncode == 0
    assert dcmread(big).file_meta.TransferSyntaxUID == ExplicitVRBigEndian
    with StoredFrames(big) as frames, StoredFrames(path) as little:
        assert frames.frame(1) == little.frame(1)


@pytest.mark.parametrize("spoilt", ["table", "items", "lengths"])
def test_offsets_that_lead_nowhere_are_told(tmp_path: Path, spoilt: str) -> None:
    ds = _volume(1, "extended" if spoilt == "lengths" else "basic", 3, 16)
    if spoilt == "lengths":
        ds.ExtendedOffsetTable = struct.pack("<3Q", 0, 1 << 60, 1 << 61)
    else:
        data = bytearray(ds.PixelData)
        place = 8 if spoilt == "table" else 20
        data[place + 4 : place + 8] = b"\xff\xff\xff\x7f"
        ds.PixelData = bytes(data)
    path = tmp_path / "spoilt.dcm"
    ds["PixelData"].is_undefined_length = True
    ds.save_as(path, enforce_file_format=True)
    with pytest.raises(ObjectError), StoredFrames(path) as frames:
        list(frames.frames())
