"""The instances that one photograph becomes: as shot, and the right way round.

The dataset of an instance is built without its pixel data, which `archiver.objects.part10`
writes behind it undecoded and uncopied.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from pydicom import Dataset
from pydicom.sequence import Sequence

from archiver.dentition import Orientation, Plan, Turn
from archiver.objects import concepts, modules, phrases
from archiver.objects.calibration import Calibration, set_calibration
from archiver.objects.confirmation import Confirmation, Witnessed
from archiver.objects.contribution import set_confirmations
from archiver.objects.scale import scale_by, set_scale
from archiver.objects.series import PhotographSeries, series_of
from archiver.objects.session import Crop, Photograph, Session
from archiver.objects.uids import UidPolicy
from archiver.photo import Box, CameraFile, Corrected, EncodedPixels, crop_done, crop_grid

#: Keys of a visit that are part of what its photographs are, where they are said.
_OF_WHOM_AND_WHERE = ("institution", "photographer")
#: Younger than the first archives: where they are not said, identifiers stay theirs.
_YOUNGER = (
    *("colour_frame", "functional_state", "magnification", "seen_from"),
    *("grey_card", "tab_region", "tooth_region"),
    *("scale_region", "scale_length"),
    *concepts.PLACES,
    *concepts.SHADE,
)


@dataclass(frozen=True)
class PhotographInstance:
    """A dataset without pixel data, and the pixels that belong to it."""

    dataset: Dataset
    pixels: EncodedPixels

    @property
    def sop_instance_uid(self) -> str:
        """SOP Instance UID."""
        return str(self.dataset.SOPInstanceUID)


@dataclass(frozen=True)
class Identity:
    """The identifiers of all that one photograph becomes, known before any pixel is touched."""

    study: str
    as_shot_series: PhotographSeries
    corrected_series: PhotographSeries
    as_shot: str
    corrected: str | None


def needs_correction(entry: Photograph, plan: Plan) -> bool:
    """True where a mirror, a turn or a crop asks for a second, corrected instance."""
    return entry.mirror or plan.correction is not Turn.IDENTITY or entry.crop is not None


def study_uid(session: Session, uids: UidPolicy) -> str:
    """Return the study's identifier: given, or following from patient and visit."""
    visit, patient = session.visit, session.patient
    if visit.study_uid:
        return visit.study_uid
    identity = {
        "patient": [patient.issuer, patient.id],
        "date": visit.date.isoformat(),
        "time": visit.time.isoformat() if visit.time else "",
        "accession": visit.accession,
    }
    return uids.uid("study", identity)


def identify(
    session: Session,
    entry: Photograph,
    plan: Plan,
    digest: str,
    edges: str,
    uids: UidPolicy,
    calibration: Calibration | None = None,
) -> Identity:
    """Work out the identifiers of a photograph's instances.

    Parameters
    ----------
    digest
        SHA-256 of the camera file.
    edges
        What is done with an edge that is no whole block: ``trim`` or ``lossless``.
    calibration
        By which its colours are corrected.
    """
    study = study_uid(session, uids)
    meaning = _meaning(session, entry, plan, digest, study)
    as_shot = uids.uid("instance", {**meaning, "role": "as shot"})
    corrected = None
    if needs_correction(entry, plan) or calibration is not None:
        correction = {
            "of": as_shot,
            "role": "corrected",
            "turn": plan.correction.value,
            "crop": str(entry.crop),
            "edges": edges,
        }
        if calibration is not None:
            correction["profile"] = hashlib.sha256(calibration.profile).hexdigest()
        corrected = uids.uid("instance", correction)
    first = session.visit.first_series
    return Identity(
        study,
        series_of(study, uids, upright=corrected is None, first=first),
        series_of(study, uids, upright=True, first=first),
        as_shot,
        corrected,
    )


def _meaning(
    session: Session, entry: Photograph, plan: Plan, digest: str, study: str
) -> dict[str, object]:
    """Return what identifiers follow from: whose picture it is, of what, how it was taken."""
    visit, patient = session.visit, session.patient
    how = asdict(entry.circumstances)
    for key in _YOUNGER:
        if not how[key]:
            del how[key]
    how |= {key: said for key in _OF_WHOM_AND_WHERE if (said := getattr(visit, key))}
    if visit.request is not None:
        how["request"] = asdict(visit.request)
    return {
        "patient": [patient.issuer, patient.id],
        "study": study,
        "source": digest,
        "view": plan.sight.view.value,
        "teeth": [t.iso for t in plan.sight.teeth],
        "mirror": plan.mirror,
        "stored": str(plan.stored),
        "confirmed_by": entry.confirmed_by,
        "comment": entry.comment,
        "clock_offset": visit.clock_offset.total_seconds(),
        **how,
    }


def examined(
    session: Session, entry: Photograph, plan: Plan, photo: CameraFile, *, edges: str
) -> Witnessed:
    """Return what is shown of a photograph when its side is confirmed.

    Parameters
    ----------
    edges
        As in `identify`.

    Raises
    ------
    PhotoError
        If the crop passes the picture's edge.
    """
    crop = entry.crop
    if crop is not None:
        box = crop_done(
            Box(crop.left, crop.top, crop.width, crop.height),
            plan.correction.value,
            size=(photo.columns, photo.rows),
            grid=crop_grid(photo.structure),
            trims=edges == "trim",
        )
        crop = Crop(box.left, box.top, box.width, box.height)
    return Witnessed.of(photo.sha256, plan, crop, session.patient)


@dataclass(frozen=True)
class Making:
    """Everything that both instances of a photograph are made from.

    Parameters
    ----------
    number
        Instance Number.
    taken
        When it was taken, by the camera's clock with the session's correction; None if unknown.
    created
        When the instances are made; aware of its offset.
    confirmations
        Of the side, as it was shown.
    calibration
        By which the colours of the corrected instance come right; None where by nothing.
    """

    session: Session
    photograph: Photograph
    plan: Plan
    photo: CameraFile
    identity: Identity
    number: int
    taken: datetime | None
    created: datetime
    confirmations: tuple[Confirmation, ...] = ()
    calibration: Calibration | None = None


def as_shot(making: Making, pixels: EncodedPixels) -> PhotographInstance:
    """Build the ORIGINAL instance: the camera's own pixels, correctly labelled."""
    m = making
    ds = _common(m, pixels, m.plan.stored, pixels_moved=False)
    modules.set_sop_common(ds, m.identity.as_shot)
    modules.set_series(ds, m.identity.as_shot_series)
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.ImageComments = phrases.as_shot_comment(m.photograph, m.plan)
    modifiers = m.plan.original_modifiers
    modifiers = (*modifiers, *modules.state_modifiers(m.photograph))
    modules.set_anatomy(ds, m.plan, modifiers, m.photograph.circumstances.places)
    return PhotographInstance(ds, pixels)


def corrected(making: Making, result: Corrected) -> PhotographInstance:
    """Build the DERIVED instance: right way round, and pointing at the one as shot."""
    m = making
    assert m.identity.corrected is not None
    moved = _spatial_relation(m.plan, result, m.photograph.crop is not None) != "YES"
    ds = _common(m, result.pixels, m.plan.display, pixels_moved=moved)
    modules.set_sop_common(ds, m.identity.corrected)
    modules.set_series(ds, m.identity.corrected_series)
    ds.ImageType = ["DERIVED", "PRIMARY"]
    ds.ImageComments = phrases.corrected_comment(m.photograph, m.plan)
    modifiers = m.plan.corrected_modifiers
    modifiers = (*modifiers, *modules.state_modifiers(m.photograph))
    modules.set_anatomy(ds, m.plan, modifiers, m.photograph.circumstances.places)
    set_derivation(
        ds,
        m.plan,
        result,
        cropped=m.photograph.crop is not None,
        source=(m.identity.as_shot_series.uid, m.identity.as_shot),
    )
    if m.calibration is not None:
        set_calibration(ds, m.calibration)
    return PhotographInstance(ds, result.pixels)


def _common(
    m: Making, pixels: EncodedPixels, orientation: Orientation, *, pixels_moved: bool
) -> Dataset:
    ds = Dataset()
    modules.set_patient(ds, m.session.patient)
    modules.set_study(ds, m.session.visit, m.identity.study)
    modules.set_beside(ds, m.session.visit)
    modules.set_request(ds, m.session.visit, m.identity.study)
    modules.set_equipment(ds, m.photo, m.taken)
    modules.set_whereabouts(ds, m.session.visit)
    modules.set_camera_settings(ds, m.photo, pixels_moved=pixels_moved)
    modules.set_times(ds, m.taken, m.created)
    ds.InstanceNumber = m.number
    ds.PatientOrientation = [orientation.rows.value, orientation.columns.value]
    modules.set_pixels(ds, pixels)
    modules.set_lossy_history(ds, m.photo.lossy_past)
    modules.set_colour(ds, m.photo.colour)
    offset = _offset_text(m.session.visit.clock_offset)
    modules.set_acquisition_context(ds, m.photograph, m.plan, m.photo, offset)
    modules.set_places(ds, m.plan, m.photograph.circumstances.places)
    modules.set_devices(ds, m.photograph, m.plan)
    set_confirmations(ds, m.confirmations)
    modules.set_control(ds, m.photograph)
    set_scale(ds, scale_by(m.photograph.circumstances, max(m.photo.columns, m.photo.rows)))
    return ds


def _offset_text(offset: timedelta) -> str:
    if not offset:
        return ""
    sign = "-" if offset < timedelta(0) else "+"
    return f"{sign}{abs(offset)}"


def _trim_words(result: Corrected) -> str:
    sides = {
        "left": result.trimmed_left,
        "top": result.trimmed_top,
        "right": result.trimmed_right,
        "bottom": result.trimmed_bottom,
    }
    lost = [
        f"{pixels} pixel{'s' * (pixels > 1)} at the {side}"
        for side, pixels in sides.items()
        if pixels
    ]
    return f"left out {' and '.join(lost)} (incomplete blocks)" if lost else ""


def _spatial_relation(plan: Plan, result: Corrected, cropped: bool) -> str:
    """Return Spatial Locations Preserved (0028,135A) (PS3.3 C.7.6.1)."""
    if cropped or _trim_words(result):
        return "NO"
    return "YES" if plan.correction is Turn.IDENTITY else "REORIENTED_ONLY"


def set_derivation(
    ds: Dataset, plan: Plan, result: Corrected, *, cropped: bool, source: tuple[str, str]
) -> None:
    """Source, derivation and references (PS3.3 C.7.6.1, 10.3, C.12.2).

    Parameters
    ----------
    cropped
        Whether a crop was asked for.
    source
        Series and SOP Instance UID of the photograph as shot.
    """
    trimmed = _trim_words(result)
    crop = None
    if cropped:
        crop = Crop(result.box.left, result.box.top, result.box.width, result.box.height)
    codec = "kept by a lossless codec" if result.lossless_codec else "without decoding"
    ds.DerivationDescription = phrases.derivation(plan, crop, trimmed, codec)
    set_source(ds, plan, _spatial_relation(plan, result, cropped), source)


def set_source(ds: Dataset, plan: Plan, preserved: str, source: tuple[str, str]) -> None:
    """Source Image and the list of references.

    Parameters
    ----------
    preserved
        Spatial Locations Preserved (0028,135A).
    source
        Series and SOP Instance UID of the photograph as shot.
    """
    as_shot_series, as_shot = source
    image = Dataset()
    image.ReferencedSOPClassUID = concepts.VL_PHOTOGRAPHIC_IMAGE
    image.ReferencedSOPInstanceUID = as_shot
    image.PurposeOfReferenceCodeSequence = modules.code_sequence(concepts.SOURCE_FOR_PROCESSING)
    image.SpatialLocationsPreserved = preserved
    if preserved == "REORIENTED_ONLY":
        image.PatientOrientation = [plan.stored.rows.value, plan.stored.columns.value]
    ds.SourceImageSequence = Sequence([image])
    instance = Dataset()
    instance.ReferencedSOPClassUID = concepts.VL_PHOTOGRAPHIC_IMAGE
    instance.ReferencedSOPInstanceUID = as_shot
    series = Dataset()
    series.SeriesInstanceUID = as_shot_series
    series.ReferencedInstanceSequence = Sequence([instance])
    ds.ReferencedSeriesSequence = Sequence([series])
