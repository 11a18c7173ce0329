"""Concepts that our objects use besides those of `archiver.dentition.codes`.

Only codes of the standard are used. What a session sheet says and no code names goes into
Acquisition Context as a Comment that starts with the words below.
"""

from __future__ import annotations

from archiver.dentition import Code

#: How this program names itself in what it writes (General Equipment, PS3.3 C.7.5.1).
MANUFACTURER, MODEL_NAME = "Archiver", "archiver"

VL_PHOTOGRAPHIC_IMAGE = "1.2.840.10008.5.1.4.1.1.77.1.4"
KEY_OBJECT_SELECTION = "1.2.840.10008.5.1.4.1.1.88.59"

# Acquisition Context (PS3.3 C.7.6.14): concept names (PS3.16 Annex D).
#: A role (CID 7453). Earlier versions wrote who confirmed the side under it; it is only read.
VERIFYING = Code("121098", "DCM", "Verifying")
COMMENT = Code("121106", "DCM", "Comment")
FUNCTIONAL_CONDITION = Code("130324", "DCM", "Functional condition present during acquisition")
SMILES = Code("225583004", "SCT", "smiles")  # CID 4066
LIPS_RELAXED = Code("1336028006", "SCT", "Lips relaxed")  # CID 4066
LIPS_CLOSED = Code("1336029003", "SCT", "Lips closed")  # CID 4066
MANDIBLE_FORWARD = Code("1336026005", "SCT", "Mandible postured forward")  # CID 4066
CENTRIC_OCCLUSION = Code("110320000", "SCT", "Centric occlusion")  # CID 4069

# What a Comment starts with.
CAMERA_CLOCK = "Camera clock"
CLOCK_CORRECTION = "Added to the camera clock"
LIGHT = "Light"
POLARISER = "Polariser"
STAGE = "Stage of treatment"
PURPOSE = "Purpose"
CONSENT = "Consent"
COLOUR_FRAME = "Colour frame"
COLOUR_PROFILE = "Colour profile"
MAGNIFICATION = "Magnification"
SEEN_FROM = "Seen from"
#: A region of the corrected, uncropped picture: width x height + left + top, in pixels.
GREY_CARD = "Grey card at"
TAB_REGION = "Tab at"
TOOTH_REGION = "Tooth at"
#: What is of known length, as a region from one end of it to the other, and that length.
SCALE_REGION = "Known length at"
SCALE = "Scale"
#: What is typed for whoever makes a tooth, by the key of the sheet. No context group of PS3.16 has
#: codes for these (looked through in the dictionaries of pydicom 3.0.2).
SHADE = {
    "restoration": "Restoration",
    "state": "State of the tooth",
    "material": "Wished material",
    "tab_system": "Tab system",
    "tab_name": "Tab",
    "tab_place": "Where the tab stands",
    "tab_number": "Number of the tab",
    "stump_shade": "Stump shade",
    "surface_texture": "Surface texture",
    "translucency": "Translucency",
    "gloss": "Gloss",
    "instructions": "Instructions",
}
#: Where no tooth stands, by the key of the sheet: ISO 3950 follows. CID 4017 has codes for the
#: places alone, not for what stands there.
PLACES = {"implant": "Implant at", "pontic": "Pontic at", "edentulous": "No tooth at"}
#: The view, where no tooth that is there has a surface which would tell it.
VIEW = "View"
LOSSY_CODING = "Lossy coding of the camera file"
#: The sheet's own comment: Image Comments hold it too, behind words of ours, for people.
REMARK = "Remark"
#: Of which picture this one is a copy, and how.
COPY = "Copy"

# Purposes of reference.
ACQUISITION_EQUIPMENT = Code("109101", "DCM", "Acquisition Equipment")  # CID 7005
MODIFYING_EQUIPMENT = Code("109103", "DCM", "Modifying Equipment")  # CID 7005
SOURCE_FOR_PROCESSING = Code(
    "121322", "DCM", "Source image for image processing operation"
)  # CID 7202
QUALITY_CONTROL_MATERIAL = Code("130750", "DCM", "Quality control material image")  # CID 7201

# Key Object Selection (PS3.16 TID 2010).
DOCUMENT_TITLE_MODIFIER = Code("113011", "DCM", "Document Title Modifier")
KEY_OBJECT_DESCRIPTION = Code("113012", "DCM", "Key Object Description")
OBSERVER_TYPE = Code("121005", "DCM", "Observer Type")  # TID 1002
PERSON = Code("121006", "DCM", "Person")  # CID 270
PERSON_OBSERVER_NAME = Code("121008", "DCM", "Person Observer Name")  # TID 1003

# Titles of CID 7010 that say that what is listed is not to be used.
REJECTED_FOR_SAFETY = Code("113037", "DCM", "Rejected for Patient Safety Reasons")
REJECTED_FOR_QUALITY = Code("113001", "DCM", "Rejected for Quality Reasons")
INCORRECT_WORKLIST_ENTRY = Code("113038", "DCM", "Incorrect Modality Worklist Entry")
RETENTION_EXPIRED = Code("113039", "DCM", "Data Retention Policy Expired")
REJECTIONS = {
    code.value: code
    for code in (
        REJECTED_FOR_SAFETY,
        REJECTED_FOR_QUALITY,
        INCORRECT_WORKLIST_ENTRY,
        RETENTION_EXPIRED,
    )
}

#: Meanings of reasons for which nobody is served what was rejected: after IHE Radiology, Imaging
#: Object Change Management (RAD TF-3, 4.66.4.1.3, from memory), instances rejected for patient
#: safety, for a wrong worklist entry or at the end of their keeping are as if they were not there;
#: only what was rejected for quality may still be had.
WITHHELD = frozenset(
    code.meaning for code in REJECTIONS.values() if code is not REJECTED_FOR_QUALITY
)

# Titles of CID 7010 that mark a selection.
FOR_REFERRING_PROVIDER = Code("113002", "DCM", "For Referring Provider")
FOR_SURGERY = Code("113003", "DCM", "For Surgery")
FOR_TEACHING = Code("113004", "DCM", "For Teaching")
FOR_CONFERENCE = Code("113005", "DCM", "For Conference")
FOR_THERAPY = Code("113006", "DCM", "For Therapy")
FOR_PATIENT = Code("113007", "DCM", "For Patient")
FOR_PEER_REVIEW = Code("113008", "DCM", "For Peer Review")
FOR_RESEARCH = Code("113009", "DCM", "For Research")
FOR_REPORT_ATTACHMENT = Code("113020", "DCM", "For Report Attachment")
FOR_PUBLICATION = Code("128714", "DCM", "For Publication Export")
OF_INTEREST = Code("113000", "DCM", "Of Interest")
SELECTIONS = {
    code.value: code
    for code in (
        FOR_REFERRING_PROVIDER,
        FOR_SURGERY,
        FOR_TEACHING,
        FOR_CONFERENCE,
        FOR_THERAPY,
        FOR_PATIENT,
        FOR_PEER_REVIEW,
        FOR_RESEARCH,
        FOR_REPORT_ATTACHMENT,
        FOR_PUBLICATION,
        OF_INTEREST,
    )
}

# CID 7011, why the quality is wanting; only with REJECTED_FOR_QUALITY (TID 2010, row 2).
QUALITY_REASONS = {
    code.value: code
    for code in (
        Code("111207", "DCM", "Image artifact(s)"),
        Code("111209", "DCM", "Positioning"),
        Code("111210", "DCM", "Motion blur"),
        Code("111211", "DCM", "Under exposed"),
        Code("111212", "DCM", "Over exposed"),
        Code("111213", "DCM", "No image"),
        Code("111219", "DCM", "Inappropriate image processing"),
        Code("111220", "DCM", "Other failure"),
    )
}
INAPPROPRIATE_PROCESSING = QUALITY_REASONS["111219"]
