"""A photograph of which nobody has told how it came to be: its view, its mirror, its flips.

It is kept as it is, and says nothing that is not known: no Patient Orientation, no word on mirrors,
and no view where none is told. It stands among the pictures as shot, which are not to be used for
a side.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pydicom import Dataset
from pydicom.sequence import Sequence

from archiver.dentition import Plan, Tooth, View, plan, shortened
from archiver.objects import concepts, modules
from archiver.objects.photograph import PhotographInstance, study_uid
from archiver.objects.series import series_of
from archiver.objects.session import Session
from archiver.objects.uids import UidPolicy
from archiver.photo import CameraFile, EncodedPixels


@dataclass(frozen=True)
class CopyOf:
    """The best original of which a picture is a copy.

    Parameters
    ----------
    relation
        What the copy is to it, in words.
    """

    sop_instance_uid: str
    relation: str


@dataclass(frozen=True)
class UntoldPhotograph:
    """What is known of such a photograph; `view` is None where even that is not told."""

    file: Path
    view: View | None = None
    teeth: tuple[Tooth, ...] = ()
    stage: str = ""
    copy_of: CopyOf | None = None

    @property
    def plan(self) -> Plan | None:
        """View and teeth as a plan has them; of its orientations nothing is told."""
        if self.view is None or (self.view.needs_teeth and not self.teeth):
            return None
        return plan(self.view, self.teeth, mirror=False)

    @property
    def words(self) -> str:
        """What is told, for lists of any archive."""
        parts = [shortened(self.teeth)] if self.teeth else []
        parts.append(self.view.value if self.view is not None else "view not told")
        parts.append("mirror and flip not told, do not use for side; side unconfirmed")
        return "; ".join(parts) + "."


def untold_uid(session: Session, entry: UntoldPhotograph, digest: str, uids: UidPolicy) -> str:
    """Return the identifier of its instance.

    Parameters
    ----------
    digest
        SHA-256 of the camera file.
    """
    patient = session.patient
    identity = {
        "patient": [patient.issuer, patient.id],
        "study": study_uid(session, uids),
        "source": digest,
        "view": entry.view.value if entry.view is not None else "",
        "teeth": [tooth.iso for tooth in entry.teeth],
        "stage": entry.stage,
        "role": "untold",
    }
    return uids.uid("instance", identity)


@dataclass(frozen=True)
class UntoldMaking:
    """Everything that the instance is made from, as in `photograph.Making`."""

    session: Session
    entry: UntoldPhotograph
    photo: CameraFile
    uids: UidPolicy
    number: int
    taken: datetime | None
    created: datetime


def untold(making: UntoldMaking, pixels: EncodedPixels) -> PhotographInstance:
    """Build the ORIGINAL instance of such a photograph."""
    m, entry, visit = making, making.entry, making.session.visit
    study = study_uid(m.session, m.uids)
    ds = Dataset()
    modules.set_patient(ds, m.session.patient)
    modules.set_study(ds, visit, study)
    modules.set_beside(ds, visit)
    modules.set_equipment(ds, m.photo, m.taken)
    modules.set_camera_settings(ds, m.photo, pixels_moved=False)
    modules.set_times(ds, m.taken, m.created)
    modules.set_sop_common(ds, untold_uid(m.session, entry, m.photo.sha256, m.uids))
    modules.set_series(ds, series_of(study, m.uids, upright=False, first=visit.first_series))
    ds.InstanceNumber = m.number
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.ImageComments = entry.words
    # Type 2C: it is there, and nobody knows it (PS3.3 C.7.6.1).
    ds.PatientOrientation = None
    modules.set_pixels(ds, pixels)
    modules.set_lossy_history(ds, m.photo.lossy_past)
    modules.set_colour(ds, m.photo.colour)
    planned = entry.plan
    if planned is not None:
        modules.set_anatomy(ds, planned, planned.original_modifiers)
    else:
        # Type 2C beside no Image Laterality: it is there, and nobody knows it (PS3.3 C.7.3.1).
        ds.Laterality = ""
        # It may show a face as well as a tooth; so it counts as one that does.
        ds.RecognizableVisualFeatures = "YES"
    _set_context(ds, entry, m.photo)
    if entry.copy_of is not None:
        reference = Dataset()
        reference.ReferencedSOPClassUID = concepts.VL_PHOTOGRAPHIC_IMAGE
        reference.ReferencedSOPInstanceUID = entry.copy_of.sop_instance_uid
        # No code of CID 7201 says that one is a copy of the other; the comment does.
        reference.PurposeOfReferenceCodeSequence = Sequence()
        ds.ReferencedImageSequence = Sequence([reference])
    return PhotographInstance(ds, pixels)


def _set_context(ds: Dataset, entry: UntoldPhotograph, photo: CameraFile) -> None:
    captured, copy = photo.claims.captured, entry.copy_of
    nameless = any(not step.method for step in photo.lossy_past)
    said = (
        (concepts.CAMERA_CLOCK, captured.text if captured else ""),
        (concepts.STAGE, entry.stage),
        (concepts.LOSSY_CODING, f"{photo.format}, which has no term in DICOM" if nameless else ""),
        (concepts.COPY, f"{copy.relation}, of {copy.sop_instance_uid}" if copy else ""),
        (
            concepts.REMARK,
            f"View said: {entry.view.value}" if entry.view and entry.plan is None else "",
        ),
    )
    items = [modules.comment_item(start, words) for start, words in said if words]
    ds.AcquisitionContextSequence = Sequence(items)
