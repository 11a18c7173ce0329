"""Every byte of a package, opened to every depth, searched for what must not be in it."""

from __future__ import annotations

import base64
import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from pydicom import Dataset, dcmread


def layers(path: Path) -> Iterator[tuple[str, bytes]]:
    """Yield all that a package holds: names, bytes, and what is packed within the bytes."""
    if path.is_dir():
        for file in sorted(path.rglob("*")):
            yield f"name of {file.name}", file.name.encode()
            if file.is_file():
                yield from opened(file.name, file.read_bytes())
    else:
        yield from opened(path.name, path.read_bytes())


def opened(name: str, data: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield bytes as they are, and what a reader of their format would find in them."""
    yield name, data
    if data.startswith(b"%PDF"):
        yield from _pdf(name, data)
    elif data.startswith(b"\x89PNG"):
        yield from _png(name, data)
    elif data.startswith(b"PK\x03\x04"):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for entry in archive.infolist():
                yield f"name in {name}", entry.filename.encode()
                yield f"comment in {name}", entry.comment + entry.extra
                yield from opened(f"{name}/{entry.filename}", archive.read(entry))
    elif data[128:132] == b"DICM":
        yield from _dicom(name, dcmread(io.BytesIO(data)))
    elif name.lower().endswith((".html", ".htm")):
        for number, packed in enumerate(re.findall(rb"base64,([A-Za-z0-9+/=]+)", data)):
            yield from opened(f"{name} picture {number}", base64.b64decode(packed))


def _pdf(name: str, data: bytes) -> Iterator[tuple[str, bytes]]:
    """Inflate every stream; what ReportLab writes as text of base 85 too."""
    for number, found in enumerate(re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", data, re.S)):
        packed = found[1]
        if packed.rstrip().endswith(b"~>"):
            packed = _a85(packed)
        with suppress(zlib.error):
            packed = zlib.decompress(packed)
        yield f"{name} stream {number}", packed
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(data))
    yield f"{name} metadata", repr(dict(reader.metadata or {})).encode()
    for number, page in enumerate(reader.pages):
        yield f"{name} text of page {number}", page.extract_text().encode()


def _a85(packed: bytes) -> bytes:
    return base64.a85decode(b"<~" + packed.strip().removeprefix(b"<~"), adobe=True)


def _png(name: str, data: bytes) -> Iterator[tuple[str, bytes]]:
    at = 8
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kind, body = data[at + 4 : at + 8].decode(), data[at + 8 : at + 8 + size]
        yield f"{name} chunk {kind}", body
        if kind in ("iCCP", "zTXt"):
            yield f"{name} chunk {kind} inflated", zlib.decompress(body.partition(b"\0")[2][1:])
        if kind == "iTXt" and (rest := body.partition(b"\0")[2]).startswith(b"\1"):
            packed = rest[2:].split(b"\0", 2)[2]  # behind the language and the translated keyword
            yield f"{name} chunk {kind} inflated", zlib.decompress(packed)
        at += 12 + size


def _dicom(name: str, dataset: Dataset) -> Iterator[tuple[str, bytes]]:
    """Yield every value as text, at every depth: no encoding hides it then."""
    for element in dataset.iterall():
        if element.VR not in ("SQ", "OB", "OW"):
            yield f"{name} {element.tag}", str(element.value).encode()
    if "PixelData" in dataset:
        from pydicom.encaps import generate_frames

        yield f"{name} frame", next(generate_frames(dataset.PixelData, number_of_frames=1))


def found(path: Path, words: Iterable[str]) -> list[str]:
    """Return where any of the words stands, whatever its case, in UTF-8, UTF-16 or Latin-1."""
    spellings = {
        spelt
        for word in words
        for form in (word, word.lower(), word.upper())
        for code in ("utf-8", "utf-16-le", "utf-16-be", "latin-1")
        if (spelt := form.encode(code, "ignore")) and len(spelt) >= 4
    }
    hits = []
    for where, data in layers(path):
        lower = data.lower()
        hits += [f"{where}: {s!r}" for s in spellings if s in data or s.lower() in lower]
    return hits
