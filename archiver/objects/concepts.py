"""Concepts that our objects use besides those of `archiver.dentition.codes`.

Where the standard has a code it is used. What a session sheet says and no context group names is
carried under this program's private coding scheme (PS3.16 8.2: designators that start with 99
are private), declared in Coding Scheme Identification Sequence of every object.
"""

from __future__ import annotations

from archiver.dentition.codes import Code
from archiver.dentition.orientation import Turn

VL_PHOTOGRAPHIC_IMAGE = "1.2.840.10008.5.1.4.1.1.77.1.4"

SCHEME = "99ARCHIVER"
SCHEME_NAME = "Concepts of the archiver of intraoral photographs"


def _own(value: str, meaning: str) -> Code:
    return Code(value, SCHEME, meaning)


# Acquisition Context (PS3.3 C.7.6.14): concept names.
CONFIRMED_BY = _own("CONFIRMED", "Patient side confirmed by")
THROUGH_MIRROR = _own("MIRROR", "Photographed through a mirror")
VIEW_IN_WORDS = _own("VIEW", "View in trade words")
CAMERA_CLOCK = _own("CLOCK", "Time as the camera's clock recorded it")
CLOCK_OFFSET = _own("CLOCKOFFSET", "Correction added to the camera's clock")
RETRACTION = _own("RETRACTION", "Retraction")
LIGHT = _own("LIGHT", "Light source")
POLARISER = _own("POLARISER", "Polarising filter")
STAGE = _own("STAGE", "Stage of treatment")
PURPOSE = _own("PURPOSE", "Purpose of the photograph")
CONSENT = _own("CONSENT", "Consent given for")

#: Answers (PS3.16 CID 230).
YES = Code("373066001", "SCT", "Yes")
NO = Code("373067005", "SCT", "No")

# Purposes of reference.
ACQUISITION_EQUIPMENT = Code("109101", "DCM", "Acquisition Equipment")  # CID 7005
SOURCE_FOR_PROCESSING = Code(
    "121322", "DCM", "Source image for image processing operation"
)  # CID 7202

#: What was done to the pixels. CID 7203 has no code for turning or cropping.
CROPPED = _own("CROP", "Cropped")
TRIMMED = _own("TRIM", "Incomplete block at an edge left out")


def turn_code(turn: Turn) -> Code:
    """Return the derivation code of a turn; its last digit is the EXIF value of the turn."""
    return _own(f"TURN{turn.value}", turn.words[0].upper() + turn.words[1:])


def turn_of_code(value: str, scheme: str) -> Turn | None:
    """Return the turn that a derivation code names, None if it names none."""
    if scheme != SCHEME or not value.startswith("TURN") or value[4:] not in set("12345678"):
        return None
    return Turn(int(value[4:]))
