"""What the headers of a JPEG stream say (ITU-T T.81), and whether it can be wrapped."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from archiver.errors import Problem
from archiver.wording import Text

SOI: Final = 0xD8
EOI: Final = 0xD9
SOS: Final = 0xDA
DQT: Final = 0xDB
DHT: Final = 0xC4
DAC: Final = 0xCC
DRI: Final = 0xDD
APP0: Final = 0xE0
APP2: Final = 0xE2
APP14: Final = 0xEE
COM: Final = 0xFE
_RGB_IDS: Final = (0x52, 0x47, 0x42)


class Process(Enum):
    """Coding process, by the frame header's marker (T.81 Table B.1)."""

    BASELINE = "baseline"
    EXTENDED = "extended sequential"
    PROGRESSIVE = "progressive"
    LOSSLESS = "lossless"
    HIERARCHICAL = "hierarchical"
    ARITHMETIC = "sequential, arithmetic coding"
    ARITHMETIC_PROGRESSIVE = "progressive, arithmetic coding"

    @property
    def text(self) -> Text:
        """How the process is called."""
        return Text(f"photo.process.{self.name}")


class ColourModel(Enum):
    """What the components mean."""

    GREY = "grey"
    YCBCR = "YCbCr"
    RGB = "RGB"
    CMYK = "CMYK"
    YCCK = "YCCK"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Segment:
    """One marker segment.

    Parameters
    ----------
    marker
        Second byte of the marker.
    start
        Offset of the marker's first byte.
    payload
        Offset of the first byte after the length field.
    end
        Offset behind the segment; for SOS this is where entropy-coded data start.
    """

    marker: int
    start: int
    payload: int
    end: int


@dataclass(frozen=True)
class Component:
    """One component of the frame header (T.81 B.2.2)."""

    identifier: int
    horizontal: int
    vertical: int
    quantisation: int


@dataclass(frozen=True)
class Scan:
    """One scan (T.81 B.2.3): its parameters and where its entropy-coded data lie."""

    components: tuple[int, ...]
    spectral_start: int
    spectral_end: int
    approximation_low: int
    start: int
    end: int


@dataclass(frozen=True)
class JpegStructure:
    """What the headers of a JPEG stream say.

    Parameters
    ----------
    process
        Coding process.
    precision
        Bits a sample.
    rows, columns
        Size of the picture in pixels.
    components, scans, segments
        In order of the stream. Entropy-coded data are no segment.
    adobe_transform
        Transform flag of the APP14 ``Adobe`` segment, or None without one.
    jfif
        Whether there is a JFIF APP0 segment.
    colour
        What the components mean, by the rule that libjpeg and DCMTK share: a JFIF segment
        says YCbCr; else APP14 decides; else identifiers ``R``, ``G``, ``B`` say RGB, and
        any others YCbCr.
    icc
        The embedded profile, joined; None where there is none or a piece is missing.
    restart_interval
        In MCUs; 0 where there is none.
    wide_quantisation
        Whether a quantisation table has 16-bit elements, which baseline forbids (B.2.4.1).
    end
        Offset behind the first EOI.
    trailing
        Bytes behind it: other pictures, padding, a maker's own records.
    notes
        What is odd but harmless.
    """

    process: Process
    precision: int
    rows: int
    columns: int
    components: tuple[Component, ...]
    scans: tuple[Scan, ...]
    segments: tuple[Segment, ...]
    adobe_transform: int | None
    jfif: bool
    colour: ColourModel
    icc: bytes | None
    restart_interval: int
    wide_quantisation: bool
    end: int
    trailing: int
    notes: tuple[Problem, ...]

    @property
    def is_baseline(self) -> bool:
        """Whether the stream, as it is, is baseline sequential Huffman (T.81 F, process 1)."""
        return self.process is Process.BASELINE and self.fits_baseline

    @property
    def fits_baseline(self) -> bool:
        """Whether the same coefficients can be coded as a baseline stream."""
        blocks = sum(c.horizontal * c.vertical for c in self.components)
        return (
            self.process not in (Process.LOSSLESS, Process.HIERARCHICAL)
            and self.precision == 8
            and not self.wide_quantisation
            and (len(self.components) == 1 or blocks <= 10)
        )

    @property
    def mcu(self) -> tuple[int, int]:
        """Width and height of an MCU in pixels; 8 x 8 for one component (T.81 A.2.2, A.2.3)."""
        if len(self.components) == 1:
            return 8, 8
        return (
            8 * max(c.horizontal for c in self.components),
            8 * max(c.vertical for c in self.components),
        )

    @property
    def sampling(self) -> str:
        """Chroma sampling in the trade's notation, such as ``4:2:2``, or the bare factors."""
        if len(self.components) == 1:
            return "grey"
        factors = tuple((c.horizontal, c.vertical) for c in self.components)
        (across, down), *chroma = factors
        if len(factors) == 3 and chroma[0] == chroma[1]:
            ratio = (across / chroma[0][0], down / chroma[0][1])
            if ratio in _SAMPLING_NAMES:
                return _SAMPLING_NAMES[ratio]
        return ",".join(f"{h}x{v}" for h, v in factors)

    def payloads(self, stream: bytes, marker: int, tag: bytes = b"") -> list[bytes]:
        """Return what follows `tag` in every segment of that marker that starts with it."""
        found = []
        for segment in self.segments:
            if segment.marker == marker:
                content = bytes(stream[segment.payload : segment.end])
                if content.startswith(tag):
                    found.append(content[len(tag) :])
        return found


_SAMPLING_NAMES: Final[dict[tuple[float, float], str]] = {
    (1, 1): "4:4:4",
    (2, 1): "4:2:2",
    (1, 2): "4:4:0",
    (2, 2): "4:2:0",
    (4, 1): "4:1:1",
    (1, 4): "4:4:1",
}


def refusal(structure: JpegStructure) -> Problem | None:
    """Return why a JPEG cannot be wrapped as a photograph, or None where it can."""
    process, colour = structure.process, structure.colour
    if process in (Process.LOSSLESS, Process.HIERARCHICAL):
        return Problem("photo.jpeg_structure.not_taken", process=process.text)
    if structure.precision != 8:
        return Problem("photo.jpeg_structure.bits_sample", precision=structure.precision)
    if colour in (ColourModel.CMYK, ColourModel.YCCK):
        return Problem("photo.jpeg_structure.made_print", colour=colour.value)
    if colour is ColourModel.UNKNOWN:
        return Problem(
            "photo.jpeg_structure.unknown_components",
            components=len(structure.components),
        )
    return None


def colour_model(
    identifiers: tuple[int, ...], *, jfif: bool, adobe_transform: int | None
) -> ColourModel:
    """Decide what components mean, as libjpeg's and DCMTK's decoders do.

    JFIF allows no RGB (ITU-T T.871), so its segment wins; the transform flag is that of
    T.872 6.5.3.
    """
    if len(identifiers) == 1:
        return ColourModel.GREY
    if len(identifiers) == 3:
        if jfif:
            return ColourModel.YCBCR
        if adobe_transform is not None:
            return ColourModel.RGB if adobe_transform == 0 else ColourModel.YCBCR
        return ColourModel.RGB if identifiers == _RGB_IDS else ColourModel.YCBCR
    if len(identifiers) == 4:
        return ColourModel.YCCK if adobe_transform == 2 else ColourModel.CMYK
    return ColourModel.UNKNOWN
