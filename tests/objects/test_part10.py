"""The file in pieces: header anew, frame byte for byte, and a file that others read."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import pydicom
import pytest
from object_samples import entry, make, picture, write
from pydicom.encaps import generate_fragments, generate_frames

from archiver.objects.part10 import pieces

KINDS = ["4:2:0 baseline", "4:4:4 progressive", "png", "grey baseline"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("extra", [0, 1])
def test_the_frame_comes_back_byte_for_byte(kind: str, extra: int) -> None:
    for instance in make(entry(), picture(kind, 97 + extra, 61)).instances:
        whole = b"".join(pieces(instance))
        ds = pydicom.dcmread(BytesIO(whole))
        stream = instance.pixels.stream
        (frame,) = generate_frames(ds.PixelData, number_of_frames=1)

        assert hashlib.sha256(frame[: len(stream)]).digest() == hashlib.sha256(stream).digest()
        assert frame[len(stream) :] == b"\0" * (len(stream) % 2)


def test_an_odd_and_an_even_frame_are_both_among_those() -> None:
    streams = [
        len(i.pixels.stream) % 2
        for kind in KINDS
        for extra in (0, 1)
        for i in make(entry(), picture(kind, 97 + extra, 61)).instances
    ]

    assert set(streams) == {0, 1}


def test_the_stream_is_handed_over_and_not_copied() -> None:
    instance = make(entry()).as_shot

    assert pieces(instance)[1] is instance.pixels.stream


def test_one_fragment_holds_the_frame_and_the_offset_table_is_empty() -> None:
    instance = make(entry()).as_shot
    ds = pydicom.dcmread(BytesIO(b"".join(pieces(instance))))

    # PS3.5 A.4: item FFFE,E000 of length 0, one item, FFFE,E0DD.
    assert ds.PixelData[:8] == b"\xfe\xff\x00\xe0\x00\x00\x00\x00"
    assert len(list(generate_fragments(ds.PixelData[8:]))) == 1
    assert ds["PixelData"].VR == "OB"


def test_the_file_meta_information_tells_what_the_file_is() -> None:
    instance = make(entry()).as_shot
    head = pieces(instance)[0]
    ds = pydicom.dcmread(BytesIO(b"".join(pieces(instance))))
    meta = ds.file_meta

    assert head[:128] == b"\0" * 128
    assert head[128:132] == b"DICM"
    assert meta.MediaStorageSOPInstanceUID == ds.SOPInstanceUID
    assert meta.MediaStorageSOPClassUID == ds.SOPClassUID
    assert meta.TransferSyntaxUID == instance.pixels.transfer_syntax
    assert meta.ImplementationClassUID.startswith("2.25.")
    assert 0 < len(meta.ImplementationVersionName) <= 16


def test_writing_does_not_change_the_dataset() -> None:
    instance = make(entry(confirmed_by="Haugen^Liv")).as_shot
    first = pieces(instance)

    assert "PixelData" not in instance.dataset
    assert pieces(instance) == first


def test_dcmtk_reads_the_same_values(tmp_path: Path) -> None:
    dcmdump = shutil.which("dcmdump")
    assert dcmdump, "install the system package dcmtk"
    made = make(entry(comment="nach dem Trocknen: Größe"))
    path = write(made.as_shot, tmp_path)

    command = [dcmdump, "+U8", "+L", "-q", "+P", "0020,4000", "+P", "0020,0020", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)

    assert "nach dem Trocknen: Größe" in done.stdout
    assert "\\".join(made.as_shot.dataset.PatientOrientation) in done.stdout
    assert done.stderr == ""
