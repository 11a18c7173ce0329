"""From a camera file to the streams that are wrapped: as shot, and corrected.

A JPEG that this information object allows as it is stays a JPEG and is never decoded to
pixels: its coefficients are kept, moved or cut. Everything else is stored as JPEG Lossless,
first-order prediction (T.81 process 14, selection value 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import CameraFile
from archiver.photo.jpeg import frame_of
from archiver.photo.jpeg_stripping import colour_segment, without_metadata
from archiver.photo.jpeg_structure import ColourModel, JpegStructure, Process, refusal
from archiver.photo.lossless import encode_lossless_stream
from archiver.photo.transcoding import can_crop, transcode
from archiver.photo.turbo import load_turbo
from archiver.photo.turning import (
    Box,
    Cut,
    CutPlan,
    Pixels,
    check_crop,
    cut_out,
    plan_cut,
    turned,
    turned_size,
)

__all__ = [
    "JPEG_BASELINE",
    "JPEG_LOSSLESS",
    "Both",
    "Box",
    "Corrected",
    "Edges",
    "EncodedPixels",
    "encode_as_shot",
    "encode_both",
    "encode_corrected",
    "encode_lossless",
]

Edges = Literal["trim", "lossless"]
"""What happens to a partial MCU that cannot be moved: dropped, or a lossless codec used."""

JPEG_BASELINE: Final = "1.2.840.10008.1.2.4.50"
JPEG_LOSSLESS: Final = "1.2.840.10008.1.2.4.70"


@dataclass(frozen=True)
class EncodedPixels:
    """One encapsulated frame and the attributes that describe it.

    Parameters
    ----------
    stream
        The codec's stream, without padding.
    transfer_syntax
        UID: JPEG Baseline (.50) or JPEG Lossless SV1 (.70).
    photometric
        Photometric Interpretation: ``YBR_FULL_422`` for every colour JPEG with loss, whatever
        its sampling (PS3.3 C.8.12.1.1.1), ``RGB`` without loss, ``MONOCHROME2`` for grey.
    samples, rows, columns
        Samples per Pixel, Rows, Columns.
    """

    stream: bytes = field(repr=False)
    transfer_syntax: str
    photometric: str
    samples: int
    rows: int
    columns: int


@dataclass(frozen=True)
class Corrected:
    """The corrected picture.

    Parameters
    ----------
    pixels
        The encoded picture.
    box
        The crop as done, in the corrected, uncropped and untrimmed picture.
    trimmed_left, trimmed_top, trimmed_right, trimmed_bottom
        Columns and rows at each edge of the corrected picture that were wanted and are lost
        in partial MCUs. A partial MCU stands at the source's right or lower edge and is lost
        only where the turn moves that edge to the left or the top; so the last two are 0.
    lossless_codec
        Whether a lossless codec was used instead of moving coefficients.
    """

    pixels: EncodedPixels
    box: Box
    trimmed_left: int = 0
    trimmed_top: int = 0
    trimmed_right: int = 0
    trimmed_bottom: int = 0
    lossless_codec: bool = False


@dataclass(frozen=True)
class Both:
    """All that wrapping needs of one camera file.

    Parameters
    ----------
    as_shot
        The stored picture, unturned.
    corrected
        The corrected picture; None where turn is 1 and there is no crop.
    """

    as_shot: EncodedPixels
    corrected: Corrected | None


def encode_as_shot(photo: CameraFile) -> EncodedPixels:
    """Encode the stored picture, unturned.

    Raises
    ------
    PhotoError
        If the picture cannot be wrapped or is damaged.
    """
    return encode_both(photo, 1, None).as_shot


def encode_corrected(
    photo: CameraFile, turn: int, crop: Box | None, *, edges: Edges = "trim"
) -> Corrected:
    """Encode the corrected picture alone; arguments and errors as in `encode_both`."""
    both = encode_both(photo, turn, crop, edges=edges)
    return both.corrected or Corrected(
        both.as_shot,
        Box(0, 0, both.as_shot.columns, both.as_shot.rows),
        lossless_codec=both.as_shot.transfer_syntax == JPEG_LOSSLESS,
    )


def encode_both(
    photo: CameraFile,
    turn: int,
    crop: Box | None,
    *,
    edges: Edges = "trim",
) -> Both:
    """Encode a camera file as shot and corrected, in one decoding.

    Parameters
    ----------
    photo
        The camera file. A damaged one is found even where nothing has to be decoded.
    turn
        1..8, applied to the stored pixels.
    crop
        In pixels of the turned picture; None for all of it. It grows outward to MCU boundaries
        where coefficients are moved, and is exact where a lossless codec is used.
    edges
        ``trim``: a wanted partial MCU that the turn cannot move is dropped and told;
        ``lossless``: a lossless codec is used where that would happen.

    Raises
    ------
    PhotoError
        If the picture cannot be wrapped or is damaged, or the crop passes its edge.
    """
    check_crop(crop, *turned_size(turn, photo.columns, photo.rows))
    structure = photo.structure
    if structure is not None:
        problem = refusal(structure)
        if problem is not None:
            raise PhotoError(problem)
        if structure.colour is not ColourModel.RGB and structure.fits_baseline:
            return _Coefficients(photo, structure).encode(turn, crop, edges)
    pixels = _decode(photo)
    wanted = turn != 1 or crop is not None
    return Both(
        encode_lossless(pixels),
        corrected_by_pixels(pixels, turn, crop) if wanted else None,
    )


def encode_lossless(pixels: Pixels) -> EncodedPixels:
    """Encode pixels as JPEG Lossless, first-order prediction.

    Parameters
    ----------
    pixels
        uint8 of shape (rows, columns) or (rows, columns, 3), RGB.
    """
    rows, columns = pixels.shape[:2]
    samples = 1 if pixels.ndim == 2 else 3
    return EncodedPixels(
        stream=encode_lossless_stream(pixels),
        transfer_syntax=JPEG_LOSSLESS,
        photometric="MONOCHROME2" if samples == 1 else "RGB",
        samples=samples,
        rows=rows,
        columns=columns,
    )


class _Coefficients:
    """A JPEG whose coefficients are kept."""

    def __init__(self, photo: CameraFile, structure: JpegStructure) -> None:
        self.photo = photo
        self.structure = structure
        self.stream = without_metadata(photo.data, structure)
        self.size = structure.columns, structure.rows

    def encode(self, turn: int, crop: Box | None, edges: Edges) -> Both:
        """Do what `encode_both` says."""
        wanted = turn != 1 or crop is not None
        plan = self._plan(turn, crop, edges) if wanted else None
        cuts = [] if self.structure.is_baseline else [Cut()]
        if plan is not None:
            cuts.append(plan.cut)
        made = iter(self._transcode(cuts))

        as_shot = self._frame(self.stream if self.structure.is_baseline else next(made), self.size)
        corrected = None
        if plan is not None:
            corrected = Corrected(
                self._frame(next(made), (plan.box.width, plan.box.height)),
                plan.box,
                plan.trimmed_left,
                plan.trimmed_top,
            )
        if wanted and corrected is None:
            corrected = corrected_by_pixels(_decode(self.photo), turn, crop)
        return Both(as_shot, corrected)

    def _plan(self, turn: int, crop: Box | None, edges: Edges) -> CutPlan | None:
        """Return how the corrected picture is cut; None where only pixels will do."""
        plan = plan_cut(turn, crop, size=self.size, mcu=self.structure.mcu)
        if plan is None or (edges == "lossless" and (plan.trimmed_left or plan.trimmed_top)):
            return None
        if plan.cut.region is not None and not can_crop(self.structure):
            return None
        return plan

    def _transcode(self, cuts: Sequence[Cut]) -> tuple[bytes, ...]:
        colours = colour_segment(self.structure)
        made = transcode(self.stream, cuts)
        if not colours:
            return made
        return tuple(stream[:2] + colours + stream[2:] for stream in made)

    def _frame(self, stream: bytes, size: tuple[int, int]) -> EncodedPixels:
        """Describe a stream, after a look at its frame header."""
        frame = frame_of(stream)
        if frame.process is not Process.BASELINE or (frame.columns, frame.rows) != size:
            raise PhotoError(
                Problem(
                    "photo.encoding.wrong_jpeg_made",
                    process=frame.process.text,
                    columns=frame.columns,
                    rows=frame.rows,
                    right_columns=size[0],
                    right_rows=size[1],
                )
            )
        return EncodedPixels(
            stream=stream,
            transfer_syntax=JPEG_BASELINE,
            photometric="MONOCHROME2" if frame.samples == 1 else "YBR_FULL_422",
            samples=frame.samples,
            rows=frame.rows,
            columns=frame.columns,
        )


def corrected_by_pixels(pixels: Pixels, turn: int, crop: Box | None) -> Corrected:
    """Turn and crop pixels, and encode them without loss."""
    rows, columns = pixels.shape[:2]
    box = check_crop(crop, *turned_size(turn, columns, rows))
    return Corrected(encode_lossless(cut_out(turned(pixels, turn), box)), box, lossless_codec=True)


def _decode(photo: CameraFile) -> Pixels:
    """Decode the stored picture, unturned."""
    turbo = load_turbo()
    if photo.structure is not None and turbo is not None:
        return turbo.decode(without_metadata(photo.data, photo.structure))
    # Imported here because it brings all the decoders, which a JPEG does not need.
    from archiver.photo.pixels import decode

    return decode(photo)
