"""Removal of everything from a JPEG stream that its picture does not need."""

from __future__ import annotations

from typing import Final

from archiver.photo.jpeg import (
    APP14,
    DAC,
    DHT,
    DQT,
    DRI,
    EOI,
    SOI,
    SOS,
    ColourModel,
    JpegStructure,
    colour_model,
    parse_jpeg,
)

# What decoding needs (T.81 B.2): tables, frame and scan headers.
_NEEDED: Final = frozenset({DQT, DHT, DAC, DRI, SOS, *range(0xC0, 0xC4), *range(0xC9, 0xCC)})


def without_metadata(stream: bytes, structure: JpegStructure | None = None) -> bytes:
    """Return the same picture without APPn and COM segments and without trailing bytes.

    Entropy-coded data and all tables stay bit for bit. A decoder that has lost the JFIF or
    APP14 segment goes by the component identifiers; where that would change the colours, a
    bare APP14 segment (ITU-T T.872 6.5.3) is put in the place of what was removed. For
    the identifiers 1, 2, 3, and for all others that do not spell ``RGB``, none is needed.

    Parameters
    ----------
    stream
        JPEG stream, perhaps with bytes behind its first EOI.
    structure
        What `parse_jpeg` said of it, if that is known already.

    Raises
    ------
    PhotoError
        If the stream cannot be parsed.
    """
    structure = structure or parse_jpeg(stream)
    view = memoryview(stream)
    pieces: list[bytes | memoryview] = [bytes((0xFF, SOI)), colour_segment(structure)]
    scans = iter(structure.scans)
    for segment in structure.segments:
        if segment.marker not in _NEEDED:
            continue
        end = next(scans).end if segment.marker == SOS else segment.end
        pieces.append(view[segment.start : end])
    pieces.append(bytes((0xFF, EOI)))
    return b"".join(pieces)


def colour_segment(structure: JpegStructure) -> bytes:
    """Return the APP14 segment that a bare stream needs to keep its colours; mostly empty."""
    identifiers = tuple(c.identifier for c in structure.components)
    bare = colour_model(identifiers, jfif=False, adobe_transform=None)
    if bare is structure.colour:
        return b""
    transform = {ColourModel.YCBCR: 1, ColourModel.YCCK: 2}.get(structure.colour, 0)
    # Version 100, no flags, transform.
    return bytes((0xFF, APP14, 0, 14)) + b"Adobe" + bytes((0, 100, 0, 0, 0, 0, transform))
