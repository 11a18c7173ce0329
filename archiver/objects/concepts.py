"""Concepts that our objects use besides those of `archiver.dentition.codes`.

Only codes of the standard are used. What a session sheet says and no code names goes into
Acquisition Context as a Comment that starts with the words below.
"""

from __future__ import annotations

from archiver.dentition.codes import Code

VL_PHOTOGRAPHIC_IMAGE = "1.2.840.10008.5.1.4.1.1.77.1.4"

# Acquisition Context (PS3.3 C.7.6.14): concept names (PS3.16 Annex D).
#: Whose name stands here has confirmed the patient's side against patient or chart.
VERIFYING = Code("121098", "DCM", "Verifying")
COMMENT = Code("121106", "DCM", "Comment")
FUNCTIONAL_CONDITION = Code("130324", "DCM", "Functional condition present during acquisition")
SMILES = Code("225583004", "SCT", "smiles")  # CID 4066

# What a Comment starts with.
CAMERA_CLOCK = "Camera clock"
CLOCK_CORRECTION = "Added to the camera clock"
LIGHT = "Light"
POLARISER = "Polariser"
STAGE = "Stage of treatment"
PURPOSE = "Purpose"
CONSENT = "Consent"
LOSSY_CODING = "Lossy coding of the camera file"

# Purposes of reference.
ACQUISITION_EQUIPMENT = Code("109101", "DCM", "Acquisition Equipment")  # CID 7005
SOURCE_FOR_PROCESSING = Code(
    "121322", "DCM", "Source image for image processing operation"
)  # CID 7202
