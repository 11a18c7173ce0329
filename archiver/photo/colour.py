"""What the pixel values mean as colours: the file's profile, its claims, or an assumption.

PS3.3 C.11.15.1.1 wants an input-device profile (class ``scnr``) of data space RGB; the
profile in a camera's JPEG is mostly one of a display. In order of trust:

1. the file's own profile, its class set to ``scnr`` where its contents satisfy such a profile;
2. a claim in the metadata (EXIF ColorSpace and interoperability index, a PNG's sRGB, gAMA and
   cHRM chunks, the colour box of HEIF): a profile is built from the published numbers;
3. nothing at all: sRGB is assumed, as the Web and common practice do, and the note says so.

A file that says "not sRGB" without saying what gets no profile: better no colours than
wrong ones. Grey pictures get none either: the ICC Profile module is about colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from archiver.errors import Problem
from archiver.photo.camera_file import ColourClaim, Limits
from archiver.photo.exif import ExifBlock
from archiver.photo.icc import (
    ADOBE_RGB,
    DISPLAY_P3,
    SRGB,
    BadProfileError,
    ColourEncoding,
    IccProfile,
    as_input_device,
    input_profile,
    known_space,
    read_profile,
    without_tail,
)
from archiver.wording import Text

_TERMS = {SRGB: "SRGB", ADOBE_RGB: "ADOBERGB"}
_UNCALIBRATED = 65535
_USUAL = (b"mntr", b"spac", b"scnr")


@dataclass(frozen=True)
class StatedColour:
    """What metadata state of the colour encoding.

    Parameters
    ----------
    encoding
        The encoding, or None where the file only says that it is not sRGB.
    source
        Who says so, for notes.
    """

    encoding: ColourEncoding | None
    source: Text


def exif_statement(block: ExifBlock) -> StatedColour | None:
    """Read the claim of an EXIF block (EXIF 2.32, tag 40961; DCF 2.0 for ``R03``)."""
    if block.colour_space == 1:
        return StatedColour(SRGB, Text("photo.colour.exif_space"))
    # Some cameras write 2 for Adobe RGB, which EXIF never defined (from memory).
    if block.interoperability == "R03" or block.colour_space == 2:
        return StatedColour(ADOBE_RGB, Text("photo.colour.exif"))
    if block.colour_space == _UNCALIBRATED:
        return StatedColour(None, Text("photo.colour.exif_space"))
    return None


def coded_statement(primaries: int, transfer: int, source: Text) -> StatedColour | None:
    """Read code points of ITU-T H.273 (HEIF, PNG's cICP): primaries and transfer.

    Transfer 13 is the curve of IEC 61966-2-1; 1 and 6, of television cameras, are shown with
    the same curve in practice. 2 is "unspecified".
    """
    if primaries == 2 and transfer == 2:
        return None
    if transfer not in (1, 2, 6, 13):
        return StatedColour(None, source)
    known = {1: SRGB, 2: SRGB, 12: DISPLAY_P3}
    return StatedColour(known.get(primaries), source)


def colour_of(
    embedded: bytes | None,
    stated: StatedColour | None,
    samples: int,
    limits: Limits,
) -> tuple[ColourClaim, tuple[Problem, ...]]:
    """Decide what the colours are.

    Parameters
    ----------
    embedded
        The file's own profile, or None.
    stated
        What the metadata state, or None.
    samples
        1 for grey, 3 for colour.
    limits
        A profile larger than ``max_profile`` is not believed.

    Returns
    -------
    tuple
        The claim, and notes.
    """
    whole, embedded = embedded, without_tail(embedded) if embedded else None
    if samples == 1:
        return ColourClaim(None, None, 1, "none", embedded), ()
    notes: list[Problem] = []
    if embedded:
        if whole and len(embedded) < len(whole):
            n, size = len(whole) - len(embedded), len(embedded)
            notes.append(Problem("photo.colour.profile_tail", n=n, size=size))
        claim, problem = _from_profile(embedded, limits)
        if problem is not None:
            notes.append(problem)
        if claim is not None:
            return claim, tuple(notes)
    if stated is not None and stated.encoding is None:
        notes.append(Problem("photo.colour.not_srgb", source=stated.source))
        return ColourClaim(None, None, 3, "none"), tuple(notes)
    if stated is not None and stated.encoding is not None:
        return _built(stated.encoding, "claimed"), tuple(notes)
    notes.append(Problem("photo.colour.assumed_srgb"))
    return _built(SRGB, "assumed"), tuple(notes)


def _built(encoding: ColourEncoding, origin: str) -> ColourClaim:
    profile = _profile_of(encoding)
    term = _TERMS.get(encoding)
    return ColourClaim(profile, term, 3, "claimed" if origin == "claimed" else "assumed")


@lru_cache(maxsize=16)
def _profile_of(encoding: ColourEncoding) -> bytes:
    return input_profile(encoding)


def _from_profile(data: bytes, limits: Limits) -> tuple[ColourClaim | None, Problem | None]:
    """Use the file's own profile; no claim where it is damaged and says nothing at all."""
    if len(data) > limits.max_profile:
        return None, Problem("photo.colour.profile_too_large", size=len(data))
    try:
        profile = read_profile(data)
    except BadProfileError as error:
        return None, Problem("photo.colour.profile_damaged", damage=error.why)
    refusal = _refusal(profile)
    if refusal:
        return ColourClaim(None, None, 3, "none", data), Problem(
            "photo.colour.profile_refused", refusal=refusal
        )
    icc = data if profile.device_class == b"scnr" else as_input_device(data)
    return ColourClaim(icc, known_space(profile), 3, "embedded", data), None


def _refusal(profile: IccProfile) -> Text | None:
    name = profile.device_class.decode("latin-1").strip()
    shown = profile.data_space.decode("latin-1").strip()
    if profile.data_space != b"RGB ":
        return Text("photo.icc.other_space", space=repr(shown))
    if profile.connection_space not in (b"XYZ ", b"Lab "):
        return Text("photo.icc.connection")
    if profile.device_class not in _USUAL:
        return Text("photo.icc.device_class", name=repr(name))
    if not profile.is_matrix and not profile.is_table:
        return Text("photo.icc.neither")
    if profile.is_matrix and not profile.is_table and profile.connection_space != b"XYZ ":
        return Text("photo.icc.matrix_to_lab")
    return None
