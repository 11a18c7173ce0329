"""A camera file on its way from the browser into a draft."""

from __future__ import annotations

import asyncio
import os
import secrets
import threading
import unicodedata
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from starlette.requests import ClientDisconnect, Request

from archiver.archive.store import translated
from archiver.errors import PhotoError, Problem
from archiver.photo import (
    EXTENSIONS,
    CameraFile,
    Format,
    Limits,
    crop_grid,
    read_camera_bytes,
    thumbnail,
)
from archiver.web.http_errors import Refused
from archiver.web.language import in_words
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import Photo
from archiver.wording import Text

#: Pixels of the longer side of the small picture in the row, and of the one on the stage.
SMALL_SIDE, LARGE_SIDE = 360, 1600
_LONGEST_NAME = 200
#: Bytes that are gathered before they are written, so that writing is seldom; seconds that such a
#: piece may take on its way.
_GATHER, _PATIENCE = 1 << 20, 30.0
#: What is no JPEG is decoded whole, which takes hundreds of megabytes: one after the other.
_WHOLE = threading.Lock()
_ENDINGS = {
    Format.JPEG: ".jpg",
    Format.PNG: ".png",
    Format.TIFF: ".tif",
    Format.HEIF: ".heic",
    Format.WEBP: ".webp",
    Format.BMP: ".bmp",
    Format.RAW: ".dng",
}


@dataclass
class Arrival:
    """A file that is being written beside a draft's files; use it as a context."""

    opened: Open
    limits: Limits = field(default_factory=Limits)

    def __enter__(self) -> Arrival:
        self.part = self.opened.files / f"{secrets.token_hex(8)}.part"
        self.size = 0
        self._file: BinaryIO = self.part.open("xb", buffering=0)
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()
        self.part.unlink(missing_ok=True)

    def take(self, piece: bytes | bytearray) -> None:
        """Write a piece.

        Raises
        ------
        PhotoError
            If the file becomes larger than any camera's.
        """
        self.size += len(piece)
        self.check(self.size)
        with translated(Text("web.take_in.picture_not_kept"), self.opened.folder.name):
            self._file.write(piece)

    def check(self, size: int) -> None:
        """Refuse a file that has, or says that it will have, so many bytes.

        Raises
        ------
        PhotoError
            If that is more than any camera's file has.
        """
        if size > self.limits.max_bytes:
            most = f"{self.limits.max_bytes / 1e6:.0f}"
            raise PhotoError(Problem("web.upload.too_large", most=most))

    def keep(self, name: str, now: datetime) -> Photo:
        """Look at the whole file, make its small picture, and keep it for good.

        Raises
        ------
        PhotoError
            If it is no picture, is damaged or too large, or is not what its name says.
        ArchiveError
            If the disk refuses.
        """
        photo = read_camera_bytes(self.part.read_bytes(), name, limits=self.limits, now=now)
        there = self.opened.photos.get(photo.sha256)
        if there is not None:
            return there
        _check_name(name, photo.format)
        small = _small(photo, SMALL_SIDE)
        with translated(Text("web.take_in.picture_not_kept"), self.opened.folder.name):
            _write_small(self.opened.small / f"{photo.sha256}.jpg", small)
            os.fsync(self._file.fileno())
        return self.opened.add(_facts(photo, name, now), self.part)


def take_file(opened: Open, path: Path, now: datetime) -> Photo:
    """Take a file of this machine into a draft; it stays where it is.

    Raises
    ------
    PhotoError
        If it is no picture, is damaged or too large, or is not what its name says.
    ArchiveError
        If the disk refuses.
    OSError
        If it cannot be read.
    """
    with Arrival(opened) as arrival, path.open("rb") as file:
        while piece := file.read(_GATHER):
            arrival.take(piece)
        return arrival.keep(shown_name(path.name), now)


async def take_body(request: Request, arrival: Arrival) -> None:
    """Write a body as it comes, a megabyte at a time.

    Raises
    ------
    Refused
        Where it comes too slowly, or ends too early.
    PhotoError
        If it becomes larger than any camera's file.
    """
    stream = request.stream()
    while True:
        try:
            # One waiting for many pieces: each waiting costs more than a piece.
            gathered = await asyncio.wait_for(_gather(stream), _PATIENCE)
        except asyncio.TimeoutError:
            raise Refused(408, "errors.too_slow", {"Connection": "close"}) from None
        except ClientDisconnect:
            raise Refused(400, "errors.malformed") from None
        arrival.take(gathered)
        if len(gathered) < _GATHER:
            return


async def _gather(stream: AsyncIterator[bytes]) -> bytearray:
    """Return a megabyte or more; less only at the end."""
    gathered = bytearray()
    async for piece in stream:
        gathered += piece
        if len(gathered) >= _GATHER:
            break
    return gathered


def _facts(photo: CameraFile, name: str, now: datetime) -> Photo:
    captured = photo.claims.captured
    when = captured.when if captured is not None else None
    structure = photo.structure if photo.format is Format.JPEG else None
    return Photo(
        photo.sha256,
        name,
        _ENDINGS[photo.format],
        str(photo.format),
        len(photo.data),
        photo.columns,
        photo.rows,
        photo.exif_orientation,
        when.replace(tzinfo=None).isoformat() if when is not None else "",
        crop_grid(structure),
        tuple(in_words(note) for note in photo.notes),
    )


def shown_name(given: str) -> str:
    """Return what a browser calls a file as one line that can be shown; it is never a path."""
    kept = "".join(
        c if unicodedata.category(c)[0] != "C" else "_" for c in given.replace("\\", "/")
    )
    base = kept.rpartition("/")[2].strip()
    return base[-_LONGEST_NAME:] or in_words(Text("web.upload.unnamed"))


def _check_name(name: str, kind: Format) -> None:
    """Refuse a file whose name promises another kind of picture than it holds."""
    ending = Path(name).suffix.lower()
    promised = EXTENSIONS.get(ending)
    if promised not in (None, kind):
        raise PhotoError(Problem("web.upload.misnamed", ending=ending, kind=kind.text))


def _small(photo: CameraFile, side: int) -> bytes:
    if photo.structure is not None:
        return thumbnail(photo, side)
    with _WHOLE:
        return thumbnail(photo, side)


def _write_small(path: Path, octets: bytes) -> None:
    part = path.with_name(f"{path.stem}.{secrets.token_hex(4)}.part")
    part.write_bytes(octets)
    part.replace(path)


def small_picture(opened: Open, photo: Photo, large: bool) -> bytes:
    """Return a small picture of a draft, made where it is not there yet.

    Raises
    ------
    PhotoError
        If the picture is damaged.
    FileNotFoundError
        If the draft was closed in between.
    """
    path = opened.small / f"{photo.digest}{'-large' if large else ''}.jpg"
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return _made(opened, photo, path, LARGE_SIDE if large else SMALL_SIDE)


def _made(opened: Open, photo: Photo, path: Path, side: int) -> bytes:
    read: Callable[[], bytes] = opened.path_of(photo).read_bytes
    octets = _small(read_camera_bytes(read(), photo.name), side)
    with suppress(FileNotFoundError):  # the draft was closed meanwhile: its folder is gone
        _write_small(path, octets)
    return octets
