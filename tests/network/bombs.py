"""Small requests that would cost a node its life, and a watch over what each of them costs.

``python -m tests.network.bomb_table [--brief]`` throws all of them at a node and prints
memory, time and what somebody else waited meanwhile.
"""

from __future__ import annotations

import io
import json
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import UID

ROOT = "1.2.826.0.1.3680043.8.498.99"
PHOTOGRAPH = "1.2.840.10008.5.1.4.1.1.77.1.4"
MULTIFRAME = "1.2.840.10008.5.1.4.1.1.7.4"
EXPLICIT, DEFLATED = "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.1.99"
BASELINE, J2K, RLE = (
    "1.2.840.10008.1.2.4.50",
    "1.2.840.10008.1.2.4.90",
    "1.2.840.10008.1.2.5",
)
JSON, DICOM = "application/dicom+json", "application/dicom"
EDGE = b"edge"


@dataclass(frozen=True)
class Request:
    """One request, sent over a connection of its own.

    Parameters
    ----------
    method, path
        The path is below the root of DICOMweb.
    body, kind
        What is sent, and its media type.
    held
        Whether the last boundary is never sent and the connection is kept open.
    """

    method: str
    path: str
    body: bytes = b""
    kind: str = ""
    held: bool = False


def multipart(
    parts: Sequence[tuple[str, str, bytes]], kind: str, *, open_end: bool = False
) -> Request:
    """Return a request to store parts, given as (media type, location, bytes)."""
    pieces = []
    for media, location, data in parts:
        where = f"Content-Location: {location}\r\n" if location else ""
        pieces.append(f"--edge\r\nContent-Type: {media}\r\n{where}\r\n".encode() + data + b"\r\n")
    body = b"".join(pieces) + (b"" if open_end else b"--edge--\r\n")
    media = f'multipart/related; type="{kind}"; boundary=edge'
    return Request("POST", "/studies", body, media, held=open_end)


def element(vr: str, *values: object) -> dict[str, object]:
    """Return an element of the DICOM JSON model."""
    return {"vr": vr, "Value": list(values)}


def metadata(number: int, **more: object) -> dict[str, object]:
    """Return the least that an object says, in the DICOM JSON model."""
    return {
        "00080016": element("UI", PHOTOGRAPH),
        "00080018": element("UI", f"{ROOT}.3.{number}"),
        "0020000D": element("UI", f"{ROOT}.1.1"),
        "0020000E": element("UI", f"{ROOT}.2.1"),
        "00100020": element("LO", "P-0417"),
        **more,
    }


def held_parts(count: int) -> Request:
    """Many parts of one byte, and no end."""
    first = (JSON, "", json.dumps([metadata(1)]).encode())
    return multipart(
        [first, *[("image/jpeg", f"b{n}", b"x") for n in range(count)]], JSON, open_end=True
    )


def empty_objects(size: int) -> Request:
    """A list of nothing but empty objects."""
    return multipart([(JSON, "", b"[" + b"{}," * (size // 3) + b"{}]")], JSON)


def nested(depth: int) -> Request:
    """A sequence within a sequence within ..."""
    inner = b'{"00081140":{"vr":"SQ","Value":[' * depth + b"{}" + b"]}}" * depth
    return multipart([(JSON, "", inner)], JSON)


def many_attributes(count: int) -> Request:
    """One object with many private attributes."""
    told = {
        f"{0x00090000 + (n >> 8 << 17) + 0x1000 + n % 256:08X}": {"vr": "UN"} for n in range(count)
    }
    return multipart([(JSON, "", json.dumps([metadata(2, **told)]).encode())], JSON)


def shared_bulk(count: int, size: int) -> Request:
    """One part that many attributes name."""
    named = {f"0009{0x1000 + n:04X}": {"vr": "OB", "BulkDataURI": "bulk"} for n in range(count)}
    told = metadata(3, **{"00090010": element("LO", "MADE UP"), **named})
    octets = "application/octet-stream"
    return multipart([(JSON, "", json.dumps([told]).encode()), (octets, "bulk", bytes(size))], JSON)


def picture(
    number: int, frame: bytes, syntax: str, rows: int, columns: int, **more: object
) -> bytes:
    """Return an object whose frame is what it likes."""
    ds = Dataset()
    ds.SOPClassUID, ds.SOPInstanceUID = PHOTOGRAPH, f"{ROOT}.3.{number}"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = f"{ROOT}.1.1", f"{ROOT}.2.1"
    ds.PatientID, ds.PatientName, ds.Modality = "P-0417", "Okafor^Nadia", "XC"
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PlanarConfiguration = 3, "RGB", 0
    ds.Rows, ds.Columns = rows, columns
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8, 8, 7, 0
    for keyword, value in more.items():
        setattr(ds, keyword, value)
    if syntax in (EXPLICIT, DEFLATED):
        ds.add_new(0x7FE00010, "OB", frame)
    else:
        ds.PixelData = encapsulate([frame])
        ds["PixelData"].VR, ds["PixelData"].is_undefined_length = "OB", True
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.file_meta.TransferSyntaxUID = UID(EXPLICIT if syntax == DEFLATED else syntax)
    buffer = io.BytesIO()
    ds.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def jpeg2000(rows: int, columns: int) -> bytes:
    """A JPEG 2000 codestream of a few pixels whose header claims many (T.800 A.5.1)."""
    buffer = io.BytesIO()
    Image.fromarray(np.zeros((64, 64, 3), np.uint8)).save(buffer, "JPEG2000", no_jp2=True)
    stream = bytearray(buffer.getvalue())
    place = stream.index(b"\xff\x51") + 6
    struct.pack_into(">II", stream, place, columns, rows)
    struct.pack_into(">II", stream, place + 16, columns, rows)
    return bytes(stream)


def run_lengths(rows: int, columns: int) -> bytes:
    """An RLE frame of three planes of zeros (PS3.5 annex G)."""
    plane = b"\x81\x00" * -(-rows * columns // 128)
    offsets = [64 + n * len(plane) for n in range(3)]
    return struct.pack("<16L", 3, *offsets, *[0] * 12) + plane * 3


def deflated(size: int) -> bytes:
    """An object in Deflated Explicit VR Little Endian with so many bytes of zeros."""
    whole = picture(40, b"\0\0", EXPLICIT, 1, 1)
    at = 144 + int.from_bytes(whole[140:144], "little")
    head = whole[144:at]
    place = head.index(EXPLICIT.encode())
    uid = DEFLATED.encode()
    head = head[: place - 2] + struct.pack("<H", len(uid)) + uid + head[place + 20 :]
    meta = whole[:140] + struct.pack("<L", len(head)) + head
    press = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    data = whole[at:-14] + struct.pack("<HH2sHL", 0x7FE0, 0x0010, b"OB", 0, size)
    made = [press.compress(data)]
    zeros = bytes(1 << 20)
    made += [press.compress(zeros) for _ in range(size >> 20)]
    return meta + b"".join(made) + press.flush()


def progressive(scans: int, rows: int = 4000, columns: int = 6000) -> bytes:
    """A progressive JPEG whose last scan comes again and again (T.81 G)."""
    buffer = io.BytesIO()
    grey = Image.new("L", (columns, rows), 128)
    grey.save(buffer, "JPEG", progressive=True, quality=30)
    stream = buffer.getvalue()
    begin = stream.rindex(b"\xff\xda")
    tables = stream.rindex(b"\xff\xc4", 0, begin)
    last = stream[min(tables, begin) : -2]
    return stream[:-2] + last * scans + b"\xff\xd9"


def session_sheet(photographs: int) -> str:
    """A sheet of many photographs."""
    head = (
        'numbering = "ISO 3950"\n[patient]\nid = "P-0417"\nname = "Okafor^Nadia"\n'
        "[visit]\ndate = 2026-03-04\n"
    )
    one = '\n[[photo]]\nfile = "IMG_{:05}.JPG"\nteeth = [25]\nview = "occlusal"\nmirror = true\n'
    return head + "".join(one.format(n) for n in range(photographs))


def stored(number: int, what: bytes) -> tuple[Request, Request]:
    """Return what stores an object, and what asks for its picture."""
    return multipart([(DICOM, "", what)], DICOM), Request("GET", where(number) + "/rendered")


def where(number: int) -> str:
    """Return the path of an object."""
    return f"/studies/{ROOT}.1.1/series/{ROOT}.2.1/instances/{ROOT}.3.{number}"


Maker = Callable[[], Sequence[Request]]


def bombs(*, brief: bool = False) -> dict[str, Maker]:
    """Return what makes the requests of each bomb, by its name."""
    scans, wide = (2_000, 4_000) if brief else (20_000, 40_000)
    huge = 512 << 20 if brief else 4095 << 20
    flat = picture(44, b"\0" * 12, EXPLICIT, 2, 2, NumberOfFrames="2000000000")
    grey = {"SamplesPerPixel": 1, "PhotometricInterpretation": "MONOCHROME2"}
    return {
        "1,500 parts of a byte, held open": lambda: [held_parts(1500)] * 3,
        "1 MB of empty objects": lambda: [empty_objects(1 << 20)],
        "4 MB of empty objects": lambda: [empty_objects(4 << 20)],
        "sequences 100,000 deep": lambda: [nested(100_000)],
        "200,000 attributes": lambda: [many_attributes(200_000)],
        "300 attributes name 10 MB": lambda: [shared_bulk(300, 10_000_000)],
        "JPEG 2000 of 40,000 x 40,000": lambda: stored(
            41, picture(41, jpeg2000(40_000, 40_000), J2K, 40_000, 40_000)
        ),
        "JPEG 2000, 40,000 x 40,000 within 64 x 64": lambda: stored(
            42, picture(42, jpeg2000(40_000, 40_000), J2K, 64, 64)
        ),
        "RLE of 40,000 x 40,000": lambda: stored(
            43,
            picture(43, run_lengths(40_000, wide), RLE, 40_000, 40_000),
        ),
        "deflated zeros": lambda: stored(40, deflated(huge)),
        "progressive JPEG of many scans": lambda: stored(
            45, picture(45, progressive(scans), BASELINE, 4000, 6000, **grey)
        ),
        "two thousand million frames": lambda: [
            *stored(44, flat),
            Request("GET", f"{where(44)}/pixeldata"),
            Request("GET", f"{where(44)}/frames/1999999"),
        ],
    }
