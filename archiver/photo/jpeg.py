"""The parser of JPEG streams (ITU-T T.81): their structure, read without decoding.

Only headers are parsed; entropy-coded segments are jumped over by a search for the next marker
(T.81 B.1.1.2, B.1.1.5: inside them a byte FF is followed by 00 or belongs to a restart marker).
What is found is told by the types of `archiver.photo.jpeg_structure`; removal of metadata is in
`archiver.photo.jpeg_stripping`.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field
from typing import Final

from archiver.errors import PhotoError, Problem
from archiver.photo.jpeg_structure import (
    APP0,
    APP2,
    APP14,
    COM,
    DAC,
    DHT,
    DQT,
    DRI,
    EOI,
    SOI,
    SOS,
    ColourModel,
    Component,
    JpegStructure,
    Process,
    Scan,
    Segment,
    colour_model,
    refusal,
)

__all__ = [
    "APP0",
    "APP2",
    "APP14",
    "COM",
    "DAC",
    "DHT",
    "DQT",
    "DRI",
    "EOI",
    "SOI",
    "SOS",
    "ColourModel",
    "Component",
    "FrameHeader",
    "JpegStructure",
    "Process",
    "Scan",
    "Segment",
    "colour_model",
    "frame_of",
    "parse_jpeg",
    "refusal",
]

_DNL: Final = 0xDC
_DHP: Final = 0xDE
_TEM: Final = 0x01
_START_OF_FRAME: Final = frozenset(range(0xC0, 0xD0)) - {DHT, 0xC8, DAC}
_STANDALONE: Final = frozenset({_TEM, *range(0xD0, 0xD8)})

# A marker that ends an entropy-coded segment: neither a stuffed zero nor RST0-RST7, nor a
# fill byte, which may stand before any marker (T.81 B.1.1.2).
_NEXT_MARKER: Final = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")

_ICC_TAG: Final = b"ICC_PROFILE\x00"
_MAX_SEGMENTS: Final = 65_536

_PROCESS_OF: Final = {
    0xC0: Process.BASELINE,
    0xC1: Process.EXTENDED,
    0xC2: Process.PROGRESSIVE,
    0xC3: Process.LOSSLESS,
    0xC9: Process.ARITHMETIC,
    0xCA: Process.ARITHMETIC_PROGRESSIVE,
    0xCB: Process.LOSSLESS,
}


def parse_jpeg(stream: bytes) -> JpegStructure:
    """Read the structure of a JPEG stream up to its first EOI.

    Parameters
    ----------
    stream
        The file's bytes. What stands behind the first EOI is counted, not read.

    Raises
    ------
    PhotoError
        If the stream is no JPEG, is cut short, or its headers contradict T.81. Processes
        that cannot be wrapped are no error here: see `refusal`.
    """
    parser = _Parser(stream)
    parser.run()
    return parser.finish()


@dataclass(frozen=True)
class FrameHeader:
    """What a frame header says (T.81 B.2.2)."""

    process: Process
    rows: int
    columns: int
    samples: int


def frame_of(stream: bytes) -> FrameHeader:
    """Read the first frame header alone, without a search through the scans.

    Raises
    ------
    PhotoError
        If there is none before the first scan.
    """
    parser = _Parser(stream)
    position = 2
    while not parser.components:
        segment = parser.segment_at(position)
        if segment.marker in (SOS, EOI):
            raise PhotoError("photo.jpeg.scan_without_frame")
        position = parser.read(segment)
    return FrameHeader(parser.process, parser.rows, parser.columns, len(parser.components))


@dataclass
class _Parser:
    """Walks over the segments once and collects what they say."""

    stream: bytes
    segments: list[Segment] = field(default_factory=list)
    scans: list[Scan] = field(default_factory=list)
    notes: list[Problem] = field(default_factory=list)
    components: tuple[Component, ...] = ()
    process: Process = Process.BASELINE
    precision: int = 0
    rows: int = 0
    columns: int = 0
    restart_interval: int = 0
    wide_quantisation: bool = False
    adobe_transform: int | None = None
    jfif: bool = False
    end: int = 0

    def run(self) -> None:
        if bytes(self.stream[:2]) != b"\xff\xd8":
            raise PhotoError(Problem("photo.jpeg.no_stream"))
        position = 2
        while True:
            segment = self.segment_at(position)
            if segment.marker == EOI:
                self.end = segment.end
                return
            if len(self.segments) >= _MAX_SEGMENTS:
                raise PhotoError(Problem("photo.jpeg.too_many_segments", most=_MAX_SEGMENTS))
            self.segments.append(segment)
            position = self.read(segment)

    def segment_at(self, position: int) -> Segment:
        """Return the segment at a position, or the next one behind stray bytes."""
        stream = self.stream
        match = _NEXT_MARKER.search(stream, position)
        if match is None:
            raise _cut_short(len(stream))
        start = match.start()
        stray = start - position
        # Fill bytes FF may precede a marker; anything else is skipped as decoders do.
        if stray and bytes(stream[position:start]).strip(b"\xff"):
            self.notes.append(Problem("photo.jpeg.stray_bytes", stray=stray))
        marker = stream[start + 1]
        if marker == EOI or marker in _STANDALONE:
            return Segment(marker, start, start + 2, start + 2)
        if marker == SOI:
            raise PhotoError(Problem("photo.jpeg.another_begins", start=start))
        if start + 4 > len(stream):
            raise _cut_short(len(stream))
        (length,) = struct.unpack_from(">H", stream, start + 2)
        if length < 2:
            raise PhotoError(
                Problem(
                    "photo.jpeg.segment_length", marker=f"{marker:02X}", start=start, length=length
                )
            )
        end = start + 2 + length
        if end > len(stream):
            raise _cut_short(len(stream))
        return Segment(marker, start, start + 4, end)

    def read(self, segment: Segment) -> int:
        """Take in one segment; return where the next is to be sought."""
        marker = segment.marker
        content = memoryview(self.stream)[segment.payload : segment.end]
        if marker == SOS:
            return self._read_scan(segment, bytes(content))
        if marker in _START_OF_FRAME:
            self._read_frame(marker, bytes(content))
        elif marker == _DHP:
            raise PhotoError("photo.jpeg.hierarchical")
        elif marker == _DNL:
            raise PhotoError("photo.jpeg.lines_after_scan")
        elif marker == DRI:
            if len(content) != 2:
                raise PhotoError("photo.jpeg.restart_interval_malformed")
            (self.restart_interval,) = struct.unpack(">H", content)
        elif marker == DQT:
            self._read_quantisation(bytes(content))
        elif marker == APP0 and not self.scans:
            self.jfif |= len(content) >= 14 and bytes(content[:5]) == b"JFIF\x00"
        elif (
            marker == APP14
            and not self.scans
            and len(content) >= 12
            and bytes(content[:5]) == b"Adobe"
        ):
            self.adobe_transform = content[11]
        return segment.end

    def _read_quantisation(self, content: bytes) -> None:
        position = 0
        while position < len(content):
            wide = content[position] >> 4
            self.wide_quantisation |= wide != 0
            position += 129 if wide else 65
        if position != len(content):
            raise PhotoError("photo.jpeg.quantisation_table_malformed")

    def _read_frame(self, marker: int, content: bytes) -> None:
        if self.components:
            raise PhotoError("photo.jpeg.several_frames")
        if len(content) < 6 or len(content) != 6 + 3 * content[5] or not content[5]:
            raise PhotoError("photo.jpeg.frame_header_malformed")
        self.process = _PROCESS_OF.get(marker, Process.HIERARCHICAL)
        self.precision, self.rows, self.columns = struct.unpack_from(">BHH", content)
        if not self.rows or not self.columns:
            raise PhotoError(Problem("photo.jpeg.no_pixels", columns=self.columns, rows=self.rows))
        self.components = tuple(
            Component(ident, factors >> 4, factors & 15, table)
            for ident, factors, table in struct.iter_unpack("BBB", content[6:])
        )
        if any(not (1 <= c.horizontal <= 4 and 1 <= c.vertical <= 4) for c in self.components):
            raise PhotoError("photo.jpeg.sampling_factors")
        if len({c.identifier for c in self.components}) != len(self.components):
            raise PhotoError("photo.jpeg.component_twice")

    def _read_scan(self, segment: Segment, content: bytes) -> int:
        if not self.components:
            raise PhotoError("photo.jpeg.scan_without_frame")
        if not content or not content[0] or len(content) != 4 + 2 * content[0]:
            raise PhotoError("photo.jpeg.scan_header_malformed")
        chosen = tuple(content[1 : 1 + 2 * content[0] : 2])
        if not set(chosen) <= {c.identifier for c in self.components}:
            raise PhotoError("photo.jpeg.unknown_component")
        match = _NEXT_MARKER.search(self.stream, segment.end)
        if match is None:
            raise _cut_short(len(self.stream))
        first, last, approximation = content[-3:]
        self.scans.append(Scan(chosen, first, last, approximation & 15, segment.end, match.start()))
        return match.start()

    def finish(self) -> JpegStructure:
        """Check the whole and freeze it."""
        scanned = {identifier for scan in self.scans for identifier in scan.components}
        if not self.scans or scanned != {c.identifier for c in self.components}:
            raise PhotoError(Problem("photo.jpeg.incomplete"))
        if self.process in (Process.PROGRESSIVE, Process.ARITHMETIC_PROGRESSIVE):
            self._check_progression()
        return JpegStructure(
            process=self.process,
            precision=self.precision,
            rows=self.rows,
            columns=self.columns,
            components=self.components,
            scans=tuple(self.scans),
            segments=tuple(self.segments),
            adobe_transform=self.adobe_transform,
            jfif=self.jfif,
            colour=colour_model(
                tuple(c.identifier for c in self.components),
                jfif=self.jfif,
                adobe_transform=self.adobe_transform,
            ),
            icc=self._profile(),
            restart_interval=self.restart_interval,
            wide_quantisation=self.wide_quantisation,
            end=self.end,
            trailing=len(self.stream) - self.end,
            notes=tuple(self.notes),
        )

    def _check_progression(self) -> None:
        """Note where progressive scans stop before the last bit of every coefficient (G.1.1.1)."""
        low = {c.identifier: [14] * 64 for c in self.components}
        for scan in self.scans:
            for identifier in scan.components:
                for k in range(scan.spectral_start, min(scan.spectral_end, 63) + 1):
                    low[identifier][k] = scan.approximation_low
        if any(bits for component in low.values() for bits in component):
            self.notes.append(Problem("photo.jpeg.progressive_incomplete"))

    def _profile(self) -> bytes | None:
        """Join the pieces of the ICC profile (ICC.1 Annex B.4)."""
        pieces: dict[int, bytes] = {}
        total = 0
        for segment in self.segments:
            content = bytes(self.stream[segment.payload : segment.end])
            if segment.marker != APP2 or not content.startswith(_ICC_TAG) or len(content) < 14:
                continue
            number, total = content[12], max(total, content[13])
            if number in pieces and pieces[number] != content[14:]:
                self.notes.append(Problem("photo.jpeg.profile_piece_twice", number=number))
                return None
            pieces[number] = content[14:]
        if not pieces:
            return None
        if sorted(pieces) != list(range(1, total + 1)):
            self.notes.append(
                Problem("photo.jpeg.profile_incomplete", pieces=len(pieces), total=total)
            )
            return None
        return b"".join(pieces[number] for number in sorted(pieces))


def _cut_short(length: int) -> PhotoError:
    return PhotoError(Problem("photo.jpeg.cut_short", length=length))
